"""Load on the daemon's API beside a run; see scripts/page-load."""

import http.client
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import threading
import time

PROGRAM, SECONDS = sys.argv[1], float(sys.argv[2])
WANTED_PER_SECOND = 1000
CALLERS = 4
PATHS = ["/api/1/ports", "/health", "/api/1/ports/office0", "/api/1/runs?limit=5"]
PORT_UNDER_TEST = "office0"


def get(connection, path):
    connection.request("GET", path)
    answer = connection.getresponse()
    return answer.status, answer.read()


def caller(address, until, counts, lock):
    """Asks evenly, its share of the whole; late ones are caught up."""
    connection = http.client.HTTPConnection(address)
    begun, done, bad = time.monotonic(), 0, 0
    while time.monotonic() < until:
        due = begun + done * CALLERS / WANTED_PER_SECOND
        if (wait := due - time.monotonic()) > 0:
            time.sleep(wait)
        status, _ = get(connection, PATHS[done % len(PATHS)])
        done, bad = done + 1, bad + (status != 200)
    with lock:
        counts.append((done, bad, time.monotonic() - begun))


def one_run(loaded):
    """The totals of a run of a healthy rig, and the load it ran beside."""
    with tempfile.TemporaryDirectory() as state:
        environment = {**os.environ, "TURNBACK_STATE_DIR": state}
        command = [PROGRAM, "agent", "--demo", "--listen", "127.0.0.1:0"]
        daemon = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            address = daemon.stdout.readline().strip().removeprefix("http://")
            token = (pathlib.Path(state) / "demo-token").read_text().strip()
            headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
            order = json.dumps({"port": PORT_UNDER_TEST, "profile": "standard"})
            while True:
                connection = http.client.HTTPConnection(address)
                connection.request("POST", "/api/1/runs", order, headers)
                answer = connection.getresponse()
                body = json.loads(answer.read())
                if answer.status == 202:
                    break
                if answer.status != 409:
                    sys.exit(f"error: no run: {answer.status} {body}")
                time.sleep(1)
            counts, lock, threads = [], threading.Lock(), []
            if loaded:
                until = time.monotonic() + SECONDS
                threads = [threading.Thread(target=caller, args=(address, until, counts, lock)) for _ in range(CALLERS)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            while True:
                # A connection that was idle for so long is closed by now.
                status, report = get(http.client.HTTPConnection(address), f"/api/1/runs/{body['run']}")
                if status == 200:
                    return json.loads(report), counts
                time.sleep(1)
        finally:
            daemon.terminate()
            daemon.wait()


alone, _ = one_run(loaded=False)
beside, counts = one_run(loaded=True)
answered, bad = sum(done for done, _, _ in counts), sum(bad for _, bad, _ in counts)
seconds = max(seconds for _, _, seconds in counts)
print(f"{answered} requests in {seconds:.1f} s: {answered / seconds:.0f} a second; {bad} refused")
COUNTS = ["frames_lost", "frames_lost_in_host", "frames_damaged", "frames_duplicated", "frames_reordered", "bit_errors"]
same = True
for name in COUNTS:
    left, right = alone["totals"][name], beside["totals"][name]
    same &= left == right
    print(f"{name:20} alone {left}, under load {right}")
for name, report in [("alone", alone), ("under load", beside)]:
    print(f"{name}: {report['verdict']['outcome']}, {report['totals']['frames_sent']} sent, {report['totals']['frames_returned']} returned")
same &= alone["verdict"]["outcome"] == beside["verdict"]["outcome"]
print("the run counts the same" if same else "the run was disturbed")
sys.exit(0 if same and bad == 0 else 1)
