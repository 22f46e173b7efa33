"""Compares our patterns, error bounds and frames with scipy, scapy and an independent reader of the probe format.

scripts/cross-check starts this with the folder of the built examples. One line per check; exit status 1 at a mismatch.
"""

import json
import math
import subprocess
import sys

import numpy as np
import scipy
from scipy.signal import max_len_seq
from scipy.stats import beta, binom, chi2, hypergeom

EXAMPLES = sys.argv[1]
failures = 0


def run(name, *words):
    return subprocess.run([f"{EXAMPLES}/{name}", *map(str, words)], check=True, capture_output=True, text=True).stdout


def say(good, text):
    global failures
    failures += not good
    print(f"{'ok      ' if good else 'MISMATCH'} {text}", flush=True)


# Name, stages n, tap k, line inverted: ITU-T O.150 (05/96) Table 1, with k = 6 for the 127-bit sequence in common use.
SEQUENCES = [
    ("prbs7", 7, 6, False),
    ("prbs9", 9, 5, False),
    ("prbs11", 11, 9, False),
    ("prbs15", 15, 14, True),
    ("prbs20", 20, 3, False),
    ("qrss", 20, 17, False),
    ("prbs23", 23, 18, True),
    ("prbs29", 29, 27, True),
    ("prbs31", 31, 28, True),
]
STRETCH_BYTES = 1024
WHOLE_PERIOD_BITS = 1 << 20


def check_patterns():
    for name, n, k, inverted in SEQUENCES:
        period = (1 << n) - 1
        whole = period <= WHOLE_PERIOD_BITS
        # The period is odd, so the bytes repeat after as many bytes as the period has bits.
        length = period if whole else STRETCH_BYTES
        # scipy counts taps from the other end: with taps=[k] it gives the sequence reversed in time.
        bits = max_len_seq(n, state=np.ones(n, dtype=np.int8), length=length * 8 + 14, taps=[n - k])[0]
        if name == "qrss":
            # O.150 5.5: a bit followed by 14 zeros goes out as a one.
            sums = np.concatenate(([0], np.cumsum(bits, dtype=np.int64)))
            bits = bits[: length * 8] | (sums[15 : 15 + length * 8] == sums[1 : 1 + length * 8])
        line = bits[: length * 8] ^ inverted
        theirs = np.packbits(line.astype(np.uint8)).tobytes()
        ours = bytes.fromhex(run("pattern_bytes", name, 0, length))
        # A start in the middle must give the same bytes as a start at the beginning.
        at = length // 3
        middle = bytes.fromhex(run("pattern_bytes", name, at, length - at))
        extent = "whole period" if whole else "start"
        say(ours == theirs and middle == theirs[at:], f"{name}: {length} bytes ({extent}) as scipy max_len_seq")


def relative(ours, theirs):
    return abs(ours - theirs) / abs(theirs) if theirs else abs(ours)


def check_bounds():
    worst = {"beta.ppf": 0.0, "binomial tail": 0.0}
    rows = json.loads(run("bounds"))
    left_out = compared = 0
    for row in rows:
        k, n, bounds = row["errors"], row["trials"], row["bounds"]
        doubt = 1 - bounds["confidence"]
        for side, name, cut in [
            ("upper", "upper", doubt / 2),
            ("upper", "better_than", doubt),
            ("lower", "lower", doubt / 2),
            ("lower", "worse_than", doubt),
        ]:
            ours = bounds[name]
            if side == "upper":
                theirs = 1.0 if k == n else beta.ppf(1 - cut, k + 1, n - k)
                tail = None if k == n else binom.cdf(k, n, ours)
            else:
                theirs = 0.0 if k == 0 else beta.ppf(cut, k, n - k + 1)
                tail = None if k == 0 else binom.sf(k - 1, n, ours)
            # The bound's definition: the tail beyond the count is 1 - confidence. 1 - p loses digits when p is near 1.
            if tail is not None:
                worst["binomial tail"] = max(worst["binomial tail"], relative(tail, cut))
            # scipy's quantile is wrong there (above the point estimate, or by powers of two), its tails are not.
            if k >= 1000 and n >= 1e8:
                left_out += 1
                continue
            compared += 1
            worst["beta.ppf"] = max(worst["beta.ppf"], relative(ours, theirs))
    say(worst["beta.ppf"] < 1e-7, f"bounds: {compared} as scipy beta.ppf, within {worst['beta.ppf']:.1e}")
    say(
        worst["binomial tail"] < 1e-6,
        f"bounds: all {4 * len(rows)} leave the right binomial tail, within {worst['binomial tail']:.1e}"
        f" ({left_out} where beta.ppf errs checked so only)",
    )
    zero = [r for r in rows if r["errors"] == 0 and r["trials"] > 1]
    closed = max(
        relative(r["bounds"]["better_than"], -math.expm1(math.log1p(-r["bounds"]["confidence"]) / r["trials"]))
        for r in zero
    )
    say(closed < 1e-12, f"bounds: {len(zero)} without errors as 1 - (1 - c)^(1/n), within {closed:.1e}")


def check_sampling():
    rows = json.loads(run("sampling"))
    compared = [
        (ours, hypergeom.cdf(plan["accept"], plan["quantity"], faulty, plan["sample"]))
        for plan in rows["plans"]
        for faulty, ours in plan["accepts"]
    ]
    worst = max(abs(ours - theirs) for ours, theirs in compared)
    say(worst < 1e-9, f"sampling: {len(compared)} acceptances as scipy hypergeom.cdf, within {worst:.1e}")
    # MIL-HDBK-338B 8.3.2: 2 T / chi2(confidence; 2 r + 2).
    worst = max(relative(ours, 2000 / chi2.ppf(confidence, 2 * failures + 2)) for failures, confidence, ours in rows["mtbf"])
    say(worst < 1e-8, f"mean time between failures: {len(rows['mtbf'])} as scipy chi2.ppf, within {worst:.1e}")


def rotate(word, by):
    return (word << by | word >> 64 - by) & (1 << 64) - 1


def header_check(head):
    """Computes the exclusive-or of the header's words, each rotated by its own amount, from the bytes alone."""
    first = int.from_bytes(head[14:16], "big")
    words = [int.from_bytes(head[at : at + 8], "big") for at in (16, 24, 32, 40)]
    value = int.from_bytes(b"turnback", "big") ^ rotate(first, 5)
    for word, by in zip(words, (1, 17, 31, 47), strict=True):
        value ^= rotate(word, by)
    return value


def check_frames():
    from scapy.layers.l2 import Ether

    frames = [line.split() for line in run("probe_frames").splitlines()]
    parsed = checks = payloads = damaged = 0
    for lane, tag, sequence, sent_at, pattern_id, pattern, phase, digits in frames:
        frame = bytes.fromhex(digits)
        ether = Ether(frame)
        own = "02:51:75:61:79:07"
        # Locally administered and unicast: RFC 7042 2.1. Local experimental EtherType 1: RFC 7042 B.2.
        source = bytes.fromhex(ether.src.replace(":", ""))
        parsed += ether.dst == own and ether.src != own and source[0] & 3 == 2 and ether.type == 0x88B5
        body = bytes(ether.payload)
        shape = int(pattern_id) << 56 | len(frame) << 40 | int(phase)
        fields = [int(tag), int(sequence), int(sent_at), shape]
        told = bytes([1, int(lane)]) + b"".join(word.to_bytes(8, "big") for word in fields)
        checks += body[:34] == told and header_check(frame) == int.from_bytes(frame[48:56], "big")
        payloads += frame[56:].hex() == run("pattern_bytes", pattern, phase, len(frame) - 56).strip()
        # One wrong bit anywhere in the bytes that the check covers must change it.
        damaged += all(
            header_check(bytes(b ^ (bit == 8 * i + j) << j for i, b in enumerate(frame[:56]) for j in [bit % 8]))
            != int.from_bytes(frame[48:56], "big")
            for bit in range(14 * 8, 48 * 8)
        )
    say(parsed == len(frames) > 0, f"frames: {parsed} of {len(frames)} read by scapy: addresses and EtherType 0x88B5")
    say(checks == len(frames), f"frames: {checks} of {len(frames)} have the right fields and header check")
    say(payloads == len(frames), f"frames: {payloads} of {len(frames)} carry the pattern from the phase in the header")
    say(damaged == len(frames), f"frames: {damaged} of {len(frames)} show each single wrong bit in the header check")


print(f"scipy {scipy.__version__}, numpy {np.__version__}")
check_patterns()
check_bounds()
check_sampling()
check_frames()
sys.exit(1 if failures else 0)
