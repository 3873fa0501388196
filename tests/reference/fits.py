"""Our fit against `scipy.optimize`: the same invented cabins, the same number and kinds of bands.

Both sides minimise the same thing, the RMS distance to a flat target with the level left free, within the
same bounds. Ours must moreover end on the processor's grid; theirs may end anywhere.

`python fits.py PROGRAM` compares at length and writes docs/performance.md; `check` is the short part that
`cargo xtask reference` always runs.
"""

import statistics
import sys
import time

import numpy as np
from scipy import optimize

from ours import Ours
from speed import between, machine

RATE = 48_000
FREQUENCY_HZ = 20 * 2 ** (np.arange(479) / 48)
PROCESSOR = "parametric-free"
# Of the processor's grids and the boost allowed: log frequency, gain, log Q.
BOUNDS = ((np.log(20), np.log(20_000)), (-24.0, 6.0), (np.log(0.4), np.log(20)))
SHELF_LOG_Q = (np.log(0.4), np.log(1.0))
# As our side places shelves: a low one not in the highest third, a high one not in the lowest.
SHELF_SHARE = 0.65
CABINS = 50
MOST_BANDS = 8
STARTS = 4
EVOLVED = 5
EVOLUTION_S = 60


def cabin(seed):
    """The smoothed response of an invented car: a wide slope, resonances, a reflection.

    No dip is deep or narrow enough to be left alone, so that every point counts on both sides.
    """
    random = np.random.default_rng(1000 + seed)
    octave = np.log2(FREQUENCY_HZ / 1000)
    response = -random.uniform(0.2, 0.9) * octave
    for _ in range(random.integers(4, 9)):
        centre, width = random.uniform(-4.8, 3.5), random.uniform(0.12, 0.7)
        response += random.uniform(-3.5, 7.0) * np.exp(-(((octave - centre) / width) ** 2))
    late_s, share = random.uniform(0.8e-3, 3e-3), random.uniform(0.1, 0.3)
    response += 20 * share * np.cos(2 * np.pi * FREQUENCY_HZ * late_s) * np.exp(-FREQUENCY_HZ / 600)
    return response + random.normal(0, 0.1, len(response))


def sections(kinds, frequency_hz, gain_db, q):
    """Coefficients of many cookbook sections at once. Source: Audio EQ Cookbook, W3C Note 2021-06-08."""
    w0 = 2 * np.pi * frequency_hz / RATE
    a, cos, alpha = 10 ** (gain_db / 40), np.cos(w0), np.sin(w0) / (2 * q)
    edge = 2 * np.sqrt(a) * alpha
    sign = np.where(kinds == "high-shelf", -1.0, 1.0)
    peak = kinds == "peak"
    one = np.ones_like(a)
    b = np.where(
        peak,
        [1 + alpha * a, -2 * cos, 1 - alpha * a],
        [
            a * ((a + 1) - sign * (a - 1) * cos + edge),
            sign * 2 * a * ((a - 1) - sign * (a + 1) * cos),
            a * ((a + 1) - sign * (a - 1) * cos - edge),
        ],
    )
    c = np.where(
        peak,
        [one + alpha / a, -2 * cos, 1 - alpha / a],
        [
            (a + 1) + sign * (a - 1) * cos + edge,
            -sign * 2 * ((a - 1) + sign * (a + 1) * cos),
            (a + 1) + sign * (a - 1) * cos - edge,
        ],
    )
    return b, c


PHI = np.sin(np.pi * FREQUENCY_HZ / RATE)[:, None] ** 2


def power(c):
    """|c0 + c1 z^-1 + c2 z^-2|^2 on the unit circle. Source: the same note, `phi = sin^2(w/2)`."""
    return (c[0] + c[1] + c[2]) ** 2 - 4 * (c[0] * c[1] + 4 * c[0] * c[2] + c[1] * c[2]) * PHI + 16 * c[0] * c[2] * PHI**2


def added_db(kinds, values):
    """What bands add up to; a row of log frequency, gain and log Q for each."""
    values = values.reshape(-1, 3)
    b, c = sections(kinds, np.exp(values[:, 0]), values[:, 1], np.exp(values[:, 2]))
    return 10 * np.log10(power(b) / power(c)).sum(axis=1)


def left_db(kinds, values, response):
    left = response + added_db(kinds, values)
    return left - left.mean()


def rms(left):
    return float(np.sqrt(np.mean(left**2)))


def bounds_of(kinds):
    low, high = BOUNDS[0]
    rows = []
    for kind in kinds:
        frequency = {
            "peak": (low, high),
            "low-shelf": (low, low + SHELF_SHARE * (high - low)),
            "high-shelf": (high - SHELF_SHARE * (high - low), high),
        }[kind]
        rows += [frequency, BOUNDS[1], BOUNDS[2] if kind == "peak" else SHELF_LOG_Q]
    return np.array(rows)


def greedy_start(kinds, response, bounds):
    """Each peak where the most is left, as high as that and an octave wide; shelves in their middle."""
    values = np.zeros(3 * len(kinds))
    for i, kind in enumerate(kinds):
        row = slice(3 * i, 3 * i + 3)
        left = left_db(kinds, np.where(values == 0, 1e-9, values), response) if i else response - response.mean()
        at = int(np.argmax(np.abs(left)))
        middle = np.mean(bounds[3 * i])
        values[row] = (np.log(FREQUENCY_HZ[at]), -left[at], np.log(1.4)) if kind == "peak" else (middle, 0.1, np.log(0.7))
    # Bands not yet placed stand at 1 Hz with no gain while the others are placed.
    return np.clip(values, bounds[:, 0] + 1e-6, bounds[:, 1] - 1e-6)


def least_squares(kinds, response, starts, seed):
    """The best of several starts, and the seconds that all took."""
    bounds = bounds_of(kinds)
    random = np.random.default_rng(seed)
    begin = time.process_time()
    best = np.inf
    for number in range(starts):
        if number == 0:
            start = greedy_start(kinds, response, bounds)
        else:
            start = random.uniform(bounds[:, 0], bounds[:, 1])
            start[1::3] = random.uniform(-6, 3, len(kinds))
        found = optimize.least_squares(
            lambda values: left_db(kinds, values, response), start, bounds=(bounds[:, 0], bounds[:, 1]), max_nfev=200
        )
        best = min(best, rms(found.fun))
    return best, time.process_time() - begin


def evolution(kinds, response, seconds, seed):
    """Differential evolution for so many seconds of computing, polished at its end."""
    begin = time.process_time()
    found = optimize.differential_evolution(
        lambda values: rms(left_db(kinds, values, response)),
        bounds_of(kinds),
        seed=seed,
        maxiter=1_000_000,
        tol=1e-6,
        callback=lambda *_: time.process_time() - begin > seconds,
    )
    return float(found.fun), time.process_time() - begin


def ours_on(ours, response, most_bands, runs):
    answer = ours.ask(
        "fit", frequency_hz=FREQUENCY_HZ, magnitude_db=response, processor=PROCESSOR, max_bands=most_bands, runs=runs
    )
    kinds = np.array([band[0] for band in answer["bands"]])
    values = np.array([[np.log(band[1]), band[2], np.log(band[3])] for band in answer["bands"]]).ravel()
    # The error is computed here, by other formulas than ours.
    return kinds, rms(left_db(kinds, values, response)), answer


def check(ours, checks):
    """A few cabins, few bands: our error is no worse than that of scipy's least squares."""
    for seed in range(3):
        response = cabin(seed)
        kinds, error, answer = ours_on(ours, response, 4, 1)
        checks.near(f"error of the fit of cabin {seed}", answer["rms_db"], error, 1e-6)
        theirs, _ = least_squares(kinds, response, 2, seed)
        # Ours ends on the grid: the last digits of four bands are worth less than 0.01 dB.
        checks.at_most(f"fit of cabin {seed} against least squares", error - theirs, 0.01)


def rows(ours):
    table = []
    for seed in range(CABINS):
        response = cabin(seed)
        kinds, error, answer = ours_on(ours, response, MOST_BANDS, 3)
        seconds = min(answer["seconds"])
        theirs, theirs_s = least_squares(kinds, response, STARTS, seed)
        evolved, evolved_s = evolution(kinds, response, EVOLUTION_S, seed) if seed < EVOLVED else (None, None)
        table.append((len(kinds), error, seconds, theirs, theirs_s, evolved, evolved_s, answer["left_alone"]))
        shown = "" if evolved is None else f", evolution {evolved:.3f} dB {evolved_s:.0f} s"
        print(
            f"cabin {seed}: {len(kinds)} bands, ours {error:.3f} dB {1e3 * seconds:.0f} ms, "
            f"least squares {theirs:.3f} dB {theirs_s:.1f} s{shown}",
            flush=True,
        )
    return table


def summary(name, ours, theirs, times):
    """One line of the table: theirs against ours over several cabins."""
    worse = [mine - other for mine, other in zip(ours, theirs)]
    no_worse = sum(difference <= 0.005 for difference in worse)
    return (
        f"| {name} | {len(ours)} | {statistics.mean(ours):.3f} | {statistics.mean(theirs):.3f} | "
        f"{no_worse} | {max(worse):+.3f} | {statistics.median(times):.0f} | {min(times):.0f} |"
    )


def main():
    with Ours(sys.argv[1]) as ours:
        table = rows(ours)
    evolved = [row for row in table if row[5] is not None]
    lines = [
        summary(
            f"`least_squares`, best of {STARTS} starts",
            [row[1] for row in table],
            [row[3] for row in table],
            [row[4] / row[2] for row in table],
        ),
        summary(
            f"`differential_evolution`, {EVOLUTION_S} s of computing",
            [row[1] for row in evolved],
            [row[5] for row in evolved],
            [row[6] / row[2] for row in evolved],
        ),
    ]
    ours_ms = [1e3 * row[2] for row in table]
    between(
        "cargo xtask reference --fit",
        f"""{machine()}

Ours took {statistics.median(ours_ms):.0f} ms in the median and {max(ours_ms):.0f} ms at most, with
{statistics.mean(row[0] for row in table):.1f} bands on average.

| theirs | cabins | ours, dB RMS | theirs, dB RMS | ours within 0.005 dB or better | ours worse by at most, dB | time ratio, median | time ratio, least |
| --- | --- | --- | --- | --- | --- | --- | --- |
""" + "\n".join(lines),
    )


if __name__ == "__main__":
    main()
