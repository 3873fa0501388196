"""Measures what our work costs a processor, kernels and analyses beside numpy and scipy: `python time.py LOADS`.

Writes the tables into `docs/performance.md`. Nothing passes or fails by it. Times are those of a
processor, not of the clock, so that other work on the machine counts little; each is the least of three.
`cargo xtask reference --time` does all of it.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"

import numpy as np

import peers
from speed import between, machine

RATE = peers.RATE
TURNS = 3

# Title, our work, theirs, how many samples they take, runs of ours and of theirs in a turn, the bar of the ratio.
KERNELS = (
    ("real transform of 2^18 samples", "transform", peers.transform, 2**18, 300, 30, None),
    ("1/24-octave smoothing of 2^17 bins at 960 points", "smoothing", peers.smoothing, 2**17 + 1, 3_000, 30, 10),
    ("31 third-octave filters over 10 s", "third-octaves", peers.bank, 10 * RATE, 15, 3, 3.5),
    ("impulse response from a recording of 20 s", "deconvolution", peers.deconvolution, 20 * RATE, 15, 5, 2.5),
    ("correlation of 10 s with a template of 1.25 s", "correlation", peers.correlation, 10 * RATE, 30, 10, 3),
    ("the same, both in single precision", "correlation-single", peers.single_correlation, 10 * RATE, 50, 10, None),
    ("the same, ours in single precision only", "correlation-single", peers.correlation, 10 * RATE, 50, 10, 5.5),
    ("10 s from 44.1 to 48 kHz, by filters of one quality", "resampling", peers.resampling, 441_000, 100, 5, 3),
    ("the same, theirs by 20 taps a phase", "resampling", peers.short_resampling, 441_000, 100, 10, None),
    ("minimum phase of 2^17 bins", "minimum-phase", peers.minimum_phase, 2**17 + 1, 50, 20, 2.5),
)
ANALYSES = (
    ("`sweep`: a track of 28 s", "sweep", peers.sweep, 28 * RATE, 2, 1, 10),
    ("`spectrum`: third octaves of 60 s", "spectrum", peers.spectrum, 60 * RATE, 3, 1, None),
    ("`level`: 60 s", "level", peers.level, 60 * RATE, 60, 5, 1.5),
    ("`transfer`: 60 s", "transfer", peers.transfer, 60 * RATE, 3, 1, 10),
    ("`headroom`: 120 s", "headroom", None, 0, 3, 0, None),
    ("the transforms of a sweep's analysis alone", "sweep-transforms", None, 0, 5, 0, None),
    ("making a recogniser of all tracks", "recogniser", None, 0, 3, 0, None),
    ("recognising tracks in ten minutes", "recognition", None, 0, 1, 0, None),
)
CALLBACKS = (32, 64, 256)


def ours(loads, work, runs):
    """Milliseconds of a processor for one run."""
    return float(subprocess.run([loads, "--time", work, str(runs)], capture_output=True, text=True, check=True).stdout)


def theirs(function, argument, runs):
    """The same in this process, after a first one to warm up."""
    function(argument)
    start = time.process_time()
    for _ in range(runs):
        function(argument)
    return 1e3 * (time.process_time() - start) / runs


def rows(loads, work):
    """Each row of a table, and ours by name. By turns, so that a slow moment does not fall on one side only."""
    noise = np.random.default_rng(4)
    found = {}
    lines = []
    for title, name, peer, length, our_runs, their_runs, bar in work:
        argument = noise.standard_normal(length)
        if name == "smoothing":
            argument = argument**2
        us, them = [], []
        for _ in range(TURNS):
            us.append(ours(loads, name, our_runs))
            if peer:
                them.append(theirs(peer, argument, their_runs))
        found[name] = mine = min(us)
        ratio = f"{min(them):.3g} | {min(them) / mine:.2g}" if peer else "– | –"
        lines.append(f"| {title} | {mine:.3g} | {ratio} | {bar or '–'} |")
        print(lines[-1])
    return "\n".join(lines), found


def callbacks(loads):
    """What one callback takes, with both cores busy otherwise."""
    lines = []
    for frames in CALLBACKS:
        answer = subprocess.run([loads, "--callback", str(frames)], capture_output=True, text=True, check=True).stdout
        median, late, worst = map(float, answer.split())
        period = 1e6 * frames / RATE
        lines.append(f"| {frames} | {period:.0f} | {median:.1f} | {late:.1f} | {worst:.0f} | {100 * median / period:.1f} |")
        print(lines[-1])
    return "\n".join(lines)


def main():
    loads = str(Path(sys.argv[1]).resolve())
    kernels, _ = rows(loads, KERNELS)
    analyses, found = rows(loads, ANALYSES)
    between(
        "cargo xtask reference --time",
        f"""{machine()}

### Kernels

| work | ours, ms | numpy or scipy, ms | theirs over ours | bar |
| --- | ---: | ---: | ---: | ---: |
{kernels}

### Whole analyses, from samples in memory to the reading

| work | ours, ms | numpy or scipy, ms | theirs over ours | bar |
| --- | ---: | ---: | ---: | ---: |
{analyses}

The analysis of a sweep takes {found["sweep"] / found["sweep-transforms"]:.1f} times what its transforms take alone (bar: 4).

### Callbacks

A virtual processor of eight channels, ten bands each, with crossovers and delays, as it runs in the output callback: here on a
thread like any other, while a thread for each core works on something else.

| frames | period, µs | median, µs | 99.9 % below, µs | worst, µs | median, % of the period |
| ---: | ---: | ---: | ---: | ---: | ---: |
{callbacks(loads)}""",
    )


if __name__ == "__main__":
    main()
