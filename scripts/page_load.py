"""Load on the daemon's API beside a run; see scripts/page-load."""

import http.client
import json
import os
import pathlib
import socket
import subprocess
import sys
import tempfile
import threading
import time

PROGRAM, SECONDS, RIG = sys.argv[1], float(sys.argv[2]), sys.argv[3]
WANTED_PER_SECOND = 1000
CALLERS = 4
# Frames per second of the run on the veth rig: as many as a small machine can send and check beside the load.
RATE = 2000
PROFILE = f"""
name = "beside-load"
kind = "steps"
sizes_bytes = [64, 512, 1518]
patterns = ["prbs31"]
time = "{max(1, round(SECONDS / 3))}s"
rate = "{RATE}"
latency_probes = 20
listen = "200ms"
settle = "200ms"
target_ber = 1e-6
"""
CONFIG = """
[http]
listen = "127.0.0.1:{port}"
[[port]]
select = {{ name = "near" }}
spare = true
[limits]
cpu_share = 1.0
[[round]]
name = "yearly"
select = [{{ spare = true }}]
schedule = "0 3 29 2 *"
profile = "beside-load.toml"
"""


class Demo:
    """The invented harbour, in virtual time."""

    port, profile = "office0", "standard"
    token_file = "demo-token"

    def command(self, state):
        return [PROGRAM, "agent", "--demo", "--listen", "127.0.0.1:0"]

    def same(self, alone, beside):
        """The same seed: every count is the same."""
        return all(alone["totals"][name] == beside["totals"][name] for name in COUNTS)


class Veth:
    """A virtual cable with a loopback plug, in a network namespace of this process's own."""

    # No profile here: the run uses that of the port's round, which no schedule reaches meanwhile.
    port, profile = "near", None
    token_file = "token"

    def __init__(self):
        for words in [
            "sysctl -qw net.ipv6.conf.all.disable_ipv6=1 net.ipv6.conf.default.disable_ipv6=1",
            "ip link set lo up",
            "ip link add near type veth peer name far",
            "ip link set near up",
            "ip link set far up",
            "tc qdisc add dev far clsact",
            "tc filter add dev far ingress protocol all u32 match u32 0 0 action mirred egress redirect dev far",
        ]:
            subprocess.run(words.split(), check=True)

    def command(self, state):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        (state / "beside-load.toml").write_text(PROFILE)
        (state / "agent.toml").write_text(CONFIG.format(port=port))
        return [PROGRAM, "agent", "--config", str(state / "agent.toml")]

    def same(self, alone, beside):
        """In real time the number of frames may differ, but none may be damaged or lost, in this computer either."""
        reports = [alone, beside]
        return all(report["verdict"]["outcome"] == "pass" for report in reports) and all(
            report["totals"][name] == 0 for report in reports for name in COUNTS)


COUNTS = ["frames_lost", "frames_lost_in_host", "frames_damaged", "frames_duplicated", "frames_reordered", "bit_errors"]


def get(connection, path):
    connection.request("GET", path)
    answer = connection.getresponse()
    return answer.status, answer.read()


def paths(rig):
    return ["/api/1/ports", "/health", f"/api/1/ports/{rig.port}", "/api/1/runs?limit=5"]


def caller(asked, address, until, counts, lock):
    """Sends its share of the requests evenly, and catches up when late."""
    connection = http.client.HTTPConnection(address)
    begun, done, bad = time.monotonic(), 0, 0
    while time.monotonic() < until:
        due = begun + done * CALLERS / WANTED_PER_SECOND
        if (wait := due - time.monotonic()) > 0:
            time.sleep(wait)
        status, _ = get(connection, asked[done % len(asked)])
        done, bad = done + 1, bad + (status != 200)
    with lock:
        counts.append((done, bad, time.monotonic() - begun))


def one_run(rig, loaded):
    """Returns the report of a run on the healthy rig, and the load beside it."""
    with tempfile.TemporaryDirectory() as state:
        environment = {**os.environ, "TURNBACK_STATE_DIR": state}
        command = rig.command(pathlib.Path(state))
        daemon = subprocess.Popen(
            command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            address = daemon.stdout.readline().strip().removeprefix("http://")
            token = (pathlib.Path(state) / rig.token_file).read_text().strip()
            headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
            order = json.dumps({"port": rig.port, "profile": rig.profile})
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
                work = (paths(rig), address, until, counts, lock)
                threads = [threading.Thread(target=caller, args=work) for _ in range(CALLERS)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            while True:
                # A new connection, since one that was idle for so long has been closed.
                status, report = get(http.client.HTTPConnection(address), f"/api/1/runs/{body['run']}")
                if status == 200:
                    return json.loads(report), counts
                time.sleep(1)
        finally:
            daemon.terminate()
            daemon.wait()


rig = Demo() if RIG == "demo" else Veth()
alone, _ = one_run(rig, loaded=False)
beside, counts = one_run(rig, loaded=True)
answered, bad = sum(done for done, _, _ in counts), sum(bad for _, bad, _ in counts)
seconds = max(seconds for _, _, seconds in counts)
print(f"{answered} requests in {seconds:.1f} s: {answered / seconds:.0f} per second; {bad} refused")
for name in COUNTS:
    print(f"{name:20} alone {alone['totals'][name]}, under load {beside['totals'][name]}")
for name, report in [("alone", alone), ("under load", beside)]:
    totals = report["totals"]
    print(f"{name}: {report['verdict']['outcome']}, {totals['frames_sent']} sent, {totals['frames_returned']} returned")
same = rig.same(alone, beside) and alone["verdict"]["outcome"] == beside["verdict"]["outcome"]
print("the counts are the same" if same else "the load changed the counts")
sys.exit(0 if same and bad == 0 else 1)
