"""Our fit against `scipy.optimize`: the same invented cabins, the same number and kinds of bands.

Both sides minimise the same thing, the RMS distance to a flat target with the level left free, within the
same bounds and with the same cap on what the bands boost together. Ours must moreover end on the processor's grid; theirs may end anywhere. Both are timed by the
seconds that a processor computed, on one thread each.

`python fits.py PROGRAM` compares at length and writes docs/performance.md; `check` is the short part that
`cargo xtask reference` always runs. Measured responses in `data` (response CSV) are compared as the cabins are.
"""

import os

# One thread: with more, the small systems of these fits make scipy four times slower.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import csv
import statistics
import sys
import time
from pathlib import Path

import numpy as np
from scipy import optimize

from ours import Ours
from speed import between, machine

RATE = 48_000
POINTS_PER_OCTAVE = 48
PROCESSOR = "parametric-free"
# Of the processor's grids and the boost allowed: gain, log Q.
GAIN_DB, LOG_Q = (-24.0, 6.0), (np.log(0.4), np.log(20))
SHELF_LOG_Q = (np.log(0.4), np.log(1.0))
# What bands may boost together, at any frequency, counted from their mean where that is a loss; and how much an
# excess of that weighs beside an error.
CAP_DB, CAP_WEIGHT = 6.0, 30.0
# As our side, theirs places no band above this.
HIGHEST_HZ = 16_000
GRAPHIC = "graphic-31"
GRAPHIC_GAIN_DB = (-12.0, 6.0)
# Our side ends on half decibels, and leaves a slider flat where that costs next to nothing.
GRAPHIC_LOSS_DB = 0.05
# As our side places shelves: a low one not in the highest third, a high one not in the lowest.
SHELF_SHARE = 0.65
CABINS = 50
MOST_BANDS = 8
STARTS = 4
# The system counts the seconds of computing in steps of some milliseconds, so ours is the mean of many runs.
RUNS = 25
EVOLVED = 5
EVOLUTION_S = 60
DATA = Path(__file__).resolve().parent / "data"
# The broad spectrum of what was played into a measured room, a clap or an untuned loudspeaker, is no room:
# the power mean over an octave on each side is taken out.
SPECTRUM_OCTAVES = 1.0
# A room is compared as it is, and smoothed by power over this part of an octave on each side.
SMOOTHED_OCTAVES = 1 / 6


class Room:
    """A response, evenly spaced in log frequency, and what its frequencies are on the unit circle."""

    def __init__(self, name, frequency_hz, response):
        self.name = name
        self.frequency_hz = frequency_hz
        self.response = response
        self.phi = np.sin(np.pi * frequency_hz / RATE)[:, None] ** 2


def cabin(seed):
    """The smoothed response of an invented car: a wide slope, resonances, a reflection.

    No dip is deep or narrow enough to be left alone, so that every point counts on both sides.
    """
    frequency_hz = 20 * 2 ** (np.arange(479) / POINTS_PER_OCTAVE)
    random = np.random.default_rng(1000 + seed)
    octave = np.log2(frequency_hz / 1000)
    response = -random.uniform(0.2, 0.9) * octave
    for _ in range(random.integers(4, 9)):
        centre, width = random.uniform(-4.8, 3.5), random.uniform(0.12, 0.7)
        response += random.uniform(-3.5, 7.0) * np.exp(-(((octave - centre) / width) ** 2))
    late_s, share = random.uniform(0.8e-3, 3e-3), random.uniform(0.1, 0.3)
    response += 20 * share * np.cos(2 * np.pi * frequency_hz * late_s) * np.exp(-frequency_hz / 600)
    return Room(f"cabin {seed}", frequency_hz, response + random.normal(0, 0.1, len(response)))


def measured():
    """The measured responses in `data`, as they are and smoothed.

    The file is a response CSV: comments behind `#`, a header, frequency and magnitude first.
    """
    for path in sorted(DATA.glob("*.csv")):
        lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip() and line[0] != "#"]
        rows = np.array([[float(cell) for cell in row[:2]] for row in list(csv.reader(lines))[1:]])
        octave, db = np.log2(rows[:, 0]), rows[:, 1]
        axis = octave[0] + np.arange(int((octave[-1] - octave[0]) * POINTS_PER_OCTAVE + 1e-6) + 1) / POINTS_PER_OCTAVE
        spectrum = smoothed(octave, db, axis, SPECTRUM_OCTAVES)
        yield Room(path.stem, 2**axis, np.interp(axis, octave, db) - spectrum)
        yield Room(f"{path.stem}, smoothed", 2**axis, smoothed(octave, db, axis, SMOOTHED_OCTAVES) - spectrum)


def smoothed(octave, db, axis, half_octaves):
    """The power mean around each place of an axis."""
    near = np.abs(octave - axis[:, None]) <= half_octaves
    return 10 * np.log10((near @ 10 ** (db / 10)) / near.sum(axis=1))


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


def power(c, phi):
    """|c0 + c1 z^-1 + c2 z^-2|^2 on the unit circle. Source: the same note, `phi = sin^2(w/2)`."""
    return (c[0] + c[1] + c[2]) ** 2 - 4 * (c[0] * c[1] + 4 * c[0] * c[2] + c[1] * c[2]) * phi + 16 * c[0] * c[2] * phi**2


def added_db(kinds, values, phi):
    """What bands add up to; a row of log frequency, gain and log Q for each."""
    values = values.reshape(-1, 3)
    b, c = sections(kinds, np.exp(values[:, 0]), values[:, 1], np.exp(values[:, 2]))
    return 10 * np.log10(power(b, phi) / power(c, phi)).sum(axis=1)


def left_db(kinds, values, room):
    left = room.response + added_db(kinds, values, room.phi)
    return left - left.mean()


def over_cap_db(added):
    return np.maximum(added - CAP_DB - min(added.mean(), 0.0), 0.0)


def held_db(kinds, values, room):
    """What is left, and behind it what exceeds the cap, as weighty as `CAP_WEIGHT` says."""
    added = added_db(kinds, values, room.phi)
    left = room.response + added
    return np.concatenate([left - left.mean(), CAP_WEIGHT * over_cap_db(added)])


def rms(left):
    return float(np.sqrt(np.mean(left**2)))


def bounds_of(kinds, room):
    low, high = np.log(room.frequency_hz[[0, -1]])
    high = min(high, np.log(HIGHEST_HZ))
    rows = []
    for kind in kinds:
        frequency = {
            "peak": (low, high),
            "low-shelf": (low, low + SHELF_SHARE * (high - low)),
            "high-shelf": (high - SHELF_SHARE * (high - low), high),
        }[kind]
        rows += [frequency, GAIN_DB, LOG_Q if kind == "peak" else SHELF_LOG_Q]
    return np.array(rows)


def greedy_start(kinds, room, bounds):
    """Each peak where the most is left, as high as that and an octave wide; shelves in their middle."""
    values = np.zeros(3 * len(kinds))
    for i, kind in enumerate(kinds):
        row = slice(3 * i, 3 * i + 3)
        left = left_db(kinds, np.where(values == 0, 1e-9, values), room) if i else room.response - room.response.mean()
        at = int(np.argmax(np.abs(left)))
        middle = np.mean(bounds[3 * i])
        values[row] = (np.log(room.frequency_hz[at]), -left[at], np.log(1.4)) if kind == "peak" else (middle, 0.1, np.log(0.7))
    # Bands not yet placed stand at 1 Hz with no gain while the others are placed.
    return np.clip(values, bounds[:, 0] + 1e-6, bounds[:, 1] - 1e-6)


def descended(kinds, room, start, bounds):
    """The error where `least_squares` ends from one start."""
    found = optimize.least_squares(
        lambda values: held_db(kinds, values, room), start, bounds=(bounds[:, 0], bounds[:, 1]), max_nfev=200
    )
    return rms(found.fun[: len(room.response)])


def least_squares(kinds, room, starts, seed):
    """The best of several starts, and the seconds that all took."""
    bounds = bounds_of(kinds, room)
    random = np.random.default_rng(seed)
    begin = time.process_time()
    best = np.inf
    for number in range(starts):
        if number == 0:
            start = greedy_start(kinds, room, bounds)
        else:
            start = random.uniform(bounds[:, 0], bounds[:, 1])
            start[1::3] = random.uniform(-6, 3, len(kinds))
        best = min(best, descended(kinds, room, start, bounds))
    return best, time.process_time() - begin


def from_ours(kinds, values, room):
    """The same begun where ours ended: what is left to gain between the grid's values."""
    bounds = bounds_of(kinds, room)
    begin = time.process_time()
    start = np.clip(values, bounds[:, 0] + 1e-6, bounds[:, 1] - 1e-6)
    return descended(kinds, room, start, bounds), time.process_time() - begin


def evolution(kinds, room, seconds, seed):
    """Differential evolution for so many seconds of computing, polished at its end."""
    begin = time.process_time()
    found = optimize.differential_evolution(
        lambda values: rms(left_db(kinds, values, room)) + over_cap_db(added_db(kinds, values, room.phi)).max(),
        bounds_of(kinds, room),
        seed=seed,
        maxiter=1_000_000,
        tol=1e-6,
        callback=lambda *_: time.process_time() - begin > seconds,
    )
    return float(found.fun), time.process_time() - begin


def ours_on(ours, room, most_bands, runs):
    answer = ours.ask(
        "fit",
        frequency_hz=room.frequency_hz,
        magnitude_db=room.response,
        processor=PROCESSOR,
        max_bands=most_bands,
        runs=runs,
    )
    kinds = np.array([band[0] for band in answer["bands"]])
    values = np.array([[np.log(band[1]), band[2], np.log(band[3])] for band in answer["bands"]]).ravel()
    # The error is computed here, by other formulas than ours.
    return kinds, values, rms(left_db(kinds, values, room)), answer


def check(ours, checks):
    """A few cabins, few bands: our error is no worse than that of scipy's least squares."""
    for seed in range(3):
        room = cabin(seed)
        kinds, _, error, answer = ours_on(ours, room, 4, 1)
        # Our level is drawn by 2e-4 to what plays, at most 6 dB away (`OFFSET_PULL`), so it is off the best
        # one by 1.2e-3 dB at most, whose square adds to that of the error.
        apart = (2e-4 * 6) ** 2 / (2 * error)
        checks.near(f"error of the fit of cabin {seed}", answer["rms_db"], error, apart)
        theirs, _ = least_squares(kinds, room, 2, seed)
        # Ours ends on the grid: the last digits of four bands are worth less than 0.01 dB.
        checks.at_most(f"fit of cabin {seed} against least squares", error - theirs, 0.01)
    check_graphic(ours, checks)


def check_graphic(ours, checks):
    """A graphic equalizer improves what bounded least squares of its gains improves, as much."""
    sliders = np.array([20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600,
                        2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000])  # fmt: skip
    kinds = np.full(len(sliders), "peak")

    def values_of(gains):
        return np.stack([np.log(sliders), gains, np.full(len(sliders), np.log(4.318))], axis=1).ravel()

    for seed in range(3):
        room = cabin(seed)
        found = optimize.least_squares(
            lambda gains, room=room: held_db(kinds, values_of(gains), room),
            np.full(len(sliders), 0.01),
            bounds=GRAPHIC_GAIN_DB,
        )
        theirs = rms(found.fun[: len(room.response)])
        answer = ours.ask(
            "fit",
            frequency_hz=room.frequency_hz,
            magnitude_db=room.response,
            processor=GRAPHIC,
            max_bands=len(sliders),
            runs=1,
        )
        checks.at_most(f"graphic fit of cabin {seed}", answer["rms_db"] - theirs, GRAPHIC_LOSS_DB)


def compared(ours, room, seed, evolve):
    """Both sides on one response, as a row of names and numbers."""
    kinds, values, error, answer = ours_on(ours, room, MOST_BANDS, RUNS)
    row = {"name": room.name, "bands": len(kinds), "ours": error, "ours_s": statistics.mean(answer["seconds"])}
    row["left_alone"] = answer["left_alone"]
    row["squares"], row["squares_s"] = least_squares(kinds, room, STARTS, seed)
    row["begun"], row["begun_s"] = from_ours(kinds, values, room)
    if evolve:
        row["evolved"], row["evolved_s"] = evolution(kinds, room, EVOLUTION_S, seed)
    shown = f", evolution {row['evolved']:.3f} dB {row['evolved_s']:.0f} s" if evolve else ""
    print(
        f"{room.name}: {len(kinds)} bands, ours {error:.3f} dB {1e3 * row['ours_s']:.1f} ms, "
        f"least squares {row['squares']:.3f} dB {row['squares_s']:.2f} s, begun from ours {row['begun']:.3f} dB{shown}",
        flush=True,
    )
    return row


def summary(title, rows, key):
    """One line of the table: theirs against ours over several cabins."""
    worse = [row["ours"] - row[key] for row in rows]
    times = [row[f"{key}_s"] / row["ours_s"] for row in rows]
    return (
        f"| {title} | {len(rows)} | {statistics.mean(row['ours'] for row in rows):.3f} | "
        f"{statistics.mean(row[key] for row in rows):.3f} | {sum(difference <= 0.005 for difference in worse)} | "
        f"{max(worse):+.3f} | {statistics.median(times):.0f} | {min(times):.0f} | {sum(time >= 50 for time in times)} |"
    )


HEAD = """| theirs | cabins | ours, dB RMS | theirs, dB RMS | ours within 0.005 dB or better | ours worse by at most, dB | \
time ratio, median | time ratio, least | 50 times or more |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


def main():
    with Ours(sys.argv[1]) as ours:
        rows = [compared(ours, cabin(seed), seed, seed < EVOLVED) for seed in range(CABINS)]
        rooms = [compared(ours, room, 0, True) for room in measured()]
    evolved = [row for row in rows if "evolved" in row]
    lines = [
        summary(f"`least_squares`, best of {STARTS} starts", rows, "squares"),
        summary("`least_squares` begun where ours ended", rows, "begun"),
        summary(f"`differential_evolution`, {EVOLUTION_S} s of computing", evolved, "evolved"),
    ]
    text = f"""{machine()}

Ours took {statistics.median(1e3 * row["ours_s"] for row in rows):.1f} ms in the median and \
{max(1e3 * row["ours_s"] for row in rows):.1f} ms at most, with {statistics.mean(row["bands"] for row in rows):.1f} \
bands on average.

{HEAD}""" + "\n".join(lines)
    if rooms:
        text += f"\n\nOn the measured responses in `tests/reference/data`:\n\n{ROOM_HEAD}" + "\n".join(
            f"| {row['name']} | {row['bands']} | {row['left_alone']} | {row['ours']:.3f} | {row['squares']:.3f} | "
            f"{row['begun']:.3f} | {row['evolved']:.3f} | {1e3 * row['ours_s']:.1f} | "
            f"{row['squares_s'] / row['ours_s']:.0f} |"
            for row in rooms
        )
    between("cargo xtask reference --fit", text)


ROOM_HEAD = """| response | bands | places left alone | ours, dB RMS | `least_squares`, dB | the same begun where ours ended, dB | \
`differential_evolution`, dB | ours, ms | `least_squares` takes so many times as long |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


if __name__ == "__main__":
    main()
