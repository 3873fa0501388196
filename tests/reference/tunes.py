"""Our tune of a whole car against `scipy.optimize`: L-BFGS-B on the joint problem, from ours and from random starts.

The cost is written here once more, by other formulas than ours: the error of left, right and both together at each
place as a power mean over 1/12 octave, dips below 6 dB linearly, one free level; what bands boost, and what they add
up to beyond 6 dB. Ours holds drive as well and ends on the processor's grid, theirs may end anywhere; both have the
same polarities, slopes and numbers of bands. Both are timed by the seconds that a processor computed.

`python tunes.py PROGRAM` (`cargo xtask reference --tune`) compares at length and writes docs/performance.md; `check` is a
short part for `compare.py`, which does not run it yet.
"""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import statistics
import sys
import time

import numpy as np
from scipy import optimize, signal

from ours import Ours
from speed import between, machine

RATE = 48_000
PROCESSOR, TARGET = "parametric-gridded", "car-medium"
PLACES = 4
CARS = 5
RANDOM_STARTS = 20
EVALUATIONS = 400
# As ours: what is judged, what counts outside of it, and when both inputs together count less.
JUDGED_HZ = (40, 16_000)
OUTSIDE = 0.25
CAP_DB, BOOST, MEAN, CAP = 6.0, 2e-3, 2e-3, 20.0
DB = 20 / np.log(10)
# Name, role, feed, range, metres to the seat.
PARTS = [
    ("left-tweeter", "tweeter", "left", (1_500, 20_000), 0.9),
    ("left-mid", "mid", "left", (160, 8_000), 1.0),
    ("left-woofer", "woofer", "left", (50, 2_500), 1.1),
    ("right-tweeter", "tweeter", "right", (1_500, 20_000), 1.4),
    ("right-mid", "mid", "right", (160, 8_000), 1.45),
    ("right-woofer", "woofer", "right", (50, 2_500), 1.5),
    ("sub", "sub", "both", (28, 300), 1.9),
]
DELAY_MOVES_S = {"tweeter": 0.0, "mid": 0.35e-3, "woofer": 1.5e-3, "sub": 6e-3}


def axis():
    octaves = np.log2(17_500 / 32)
    steps = int(np.ceil(octaves * 24))
    return 32 * 2 ** (octaves * np.arange(steps + 1) / steps)


def drawn(seed):
    """An invented car: drivers with limits and resonances of their own, at each place late and reflected."""
    random = np.random.default_rng(500 + seed)
    hz = axis()
    responses = []
    for name, role, _, (low, high), way_m in PARTS:
        b, a = signal.butter(2, 2 * np.pi * low, "highpass", analog=True)
        own = signal.freqs(b, a, 2 * np.pi * hz)[1]
        b, a = signal.butter(2, 2 * np.pi * high, "lowpass", analog=True)
        own = own * signal.freqs(b, a, 2 * np.pi * hz)[1] * 10 ** (random.uniform(-3, 3) / 20)
        for _ in range(3):
            centre = np.exp(random.uniform(np.log(2 * low), np.log(high / 2)))
            a, q = 10 ** (random.uniform(-5, 5) / 40), random.uniform(1, 4)
            s = 1j * hz / centre
            own = own * (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)
        if role == "sub":
            own = own * (1 + (60 / hz) ** 1.5) / 2
        echoes = [(random.uniform(0.5e-3, 5e-3), random.uniform(-0.4, 0.4)) for _ in range(5)]
        at = []
        for _ in range(PLACES):
            late_s = (way_m + random.uniform(-0.1, 0.1)) / 343.2
            room = 1 + sum(
                share * np.exp(-2j * np.pi * hz * (wait + random.uniform(-3e-4, 3e-4))) for wait, share in echoes
            )
            at.append(own * room * np.exp(-2j * np.pi * hz * late_s))
        responses.append(np.array(at))
    return hz, responses


class Car:
    """The joint problem on the axis."""

    def __init__(self, hz, responses, target_db, channels):
        self.hz, self.target = hz, target_db
        share = [0.5 if feed == "both" else 1.0 for _, _, feed, _, _ in PARTS]
        self.h = [s * r for s, r in zip(share, responses)]
        self.sides = [[i for i, part in enumerate(PARTS) if part[2] in (side, "both")] for side in ("left", "right")]
        inside = (hz >= JUDGED_HZ[0]) & (hz <= JUDGED_HZ[1])
        counts = np.where(inside, 1.0, OUTSIDE)
        part = np.clip(np.log(hz / 500) / np.log(2), 0, 1)
        weights = np.array([counts, counts, counts * (1 - 0.8 * part)])
        self.weights = np.repeat(weights[:, None, :], PLACES, axis=1)
        self.weights /= self.weights.sum()
        self.both_db = -3 * np.clip(np.log(hz / 300) / np.log(2000 / 300), 0, 1)
        n = len(hz)
        self.smooth = 0.5 * np.eye(n) + 0.25 * (np.eye(n, k=1) + np.eye(n, k=-1))
        self.smooth[0, 0] = self.smooth[-1, -1] = 0.75
        self.channels = channels
        # Crossovers that meet at one frequency are one value.
        corners = sorted({c[k][0] for c in channels for k in ("high_pass", "low_pass") if c[k]})
        self.corners = np.log(corners)
        self.edges = [
            [(corners.index(c[k][0]), c[k][1], k) for k in ("high_pass", "low_pass") if c[k]] for c in channels
        ]
        self.plays = []
        for edges, (_, _, _, (low, high), _) in zip(self.edges, PARTS):
            for corner, _, kind in edges:
                low, high = (corners[corner], high) if kind == "high_pass" else (low, corners[corner])
            self.plays.append((hz >= max(low, JUDGED_HZ[0])) & (hz <= min(high, JUDGED_HZ[1])))

    def start(self):
        """Our values, as one row: levels, delays, corners, bands."""
        bands = [[np.log(b[0]), b[1], np.log(b[2])] for c in self.channels for b in c["bands"]]
        levels = [c["gain_db"] for c in self.channels]
        return np.concatenate([levels, [c["delay_s"] * 1e3 for c in self.channels], self.corners, np.ravel(bands)])

    def bounds(self):
        start = self.start()
        count = len(PARTS)
        rows = [(level - 24, level + 24) for level in start[:count]]
        for delay, (_, role, _, _, _) in zip(start[count : 2 * count], PARTS):
            rows.append((delay - 1e3 * DELAY_MOVES_S[role], delay + 1e3 * DELAY_MOVES_S[role]))
        rows += [(corner - np.log(1.25), corner + np.log(1.25)) for corner in self.corners]
        for plays, channel in zip(self.plays, self.channels):
            inside = np.log(self.hz[plays][[0, -1]])
            for frequency, gain, q in channel["bands"]:
                sharpest = 8.0 if self.hz[plays][-1] <= 200 else 4.0
                rows += [
                    (min(inside[0], np.log(frequency)), max(inside[1], np.log(frequency))),
                    (-10, 6),
                    (np.log(0.5), np.log(max(sharpest, q))),
                ]
        return np.array(rows)

    def random_start(self, random):
        bounds = self.bounds()
        x = random.uniform(bounds[:, 0], bounds[:, 1])
        count = len(PARTS)
        x[:count] = self.start()[:count] + random.uniform(-4, 4, count)
        x[2 * count + len(self.corners) + 1 :: 3] = random.uniform(-3, 3, len(x[2 * count + len(self.corners) + 1 :: 3]))
        return x

    def warped(self, hz):
        return np.tan(np.pi * hz / RATE)

    def edge(self, log_corner, slope, kind):
        """Linkwitz-Riley: two Butterworth filters of half the order, bilinear."""
        s = 1j * self.warped(self.hz) / self.warped(np.exp(log_corner))
        z, p, k = signal.butter(slope // 12, 1, "lowpass", analog=True, output="zpk")
        s = 1 / s if kind == "high_pass" else s
        value = k / np.prod([s - pole for pole in p], axis=0)
        return value * value

    def band(self, log_hz, gain_db, log_q):
        s = 1j * self.warped(self.hz) / self.warped(np.exp(log_hz))
        a, q = 10 ** (gain_db / 40), np.exp(log_q)
        return (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)

    def parts(self, x):
        """Each channel without and its bands alone."""
        count = len(PARTS)
        levels, delays = x[:count], x[count : 2 * count] * 1e-3
        corners = x[2 * count :][: len(self.corners)]
        bands = x[2 * count + len(self.corners) :].reshape(-1, 3)
        plain, banks, first = [], [], 0
        for i, channel in enumerate(self.channels):
            sign = -1 if channel["inverted"] else 1
            g = sign * 10 ** (levels[i] / 20) * np.exp(-2j * np.pi * self.hz * delays[i])
            for corner, slope, kind in self.edges[i]:
                g = g * self.edge(corners[corner], slope, kind)
            bank = np.ones(len(self.hz), complex)
            for band in bands[first : first + len(channel["bands"])]:
                bank = bank * self.band(*band)
            first += len(channel["bands"])
            plain.append(g)
            banks.append(bank)
        return plain, banks

    def cost(self, x, slopes=False):
        plain, banks = self.parts(x)
        whole = [g * bank for g, bank in zip(plain, banks)]
        pressure = [sum(self.h[i] * whole[i] for i in side) for side in self.sides]
        pressure.append(0.5 * (pressure[0] + pressure[1]))
        power = np.array([np.abs(p) ** 2 @ self.smooth for p in pressure])
        residual = 10 * np.log10(power) - self.target
        residual[2] -= self.both_db
        residual -= (self.weights * residual).sum()
        rho = np.where(residual >= -6, residual**2, 6 * (-2 * residual - 6))
        cost = (self.weights * rho).sum()
        bank_db = [20 * np.log10(np.abs(bank)) for bank in banks]
        for db, plays, channel in zip(bank_db, self.plays, self.channels):
            if channel["bands"]:
                cost += MEAN * db[plays].mean() ** 2 + BOOST * (np.maximum(db[plays], 0) ** 2).mean()
                cost += CAP * (np.maximum(db - CAP_DB, 0) ** 2).mean()
        if not slopes:
            return cost
        t = self.weights * 2 * np.maximum(residual, -6)
        t = t - self.weights * t.sum()
        q = (t * (10 / np.log(10)) / power) @ self.smooth
        pull = [2 * q[s] * np.conj(pressure[s]) + q[2] * np.conj(pressure[2]) for s in (0, 1)]
        by_log = []
        for i, g in enumerate(whole):
            sides = [s for s in (0, 1) if i in self.sides[s]]
            by_log.append(sum((self.h[i] * pull[s]).sum(axis=0) for s in sides) * g)
        return cost, self.slopes(x, by_log, bank_db)

    def slopes(self, x, by_log, bank_db):
        count = len(PARTS)
        out = np.zeros(len(x))
        step = 1e-6
        for i in range(count):
            out[i] = by_log[i].real.sum() / DB
            out[count + i] = (by_log[i] * (-2j * np.pi * self.hz * 1e-3)).real.sum()
            for corner, slope, kind in self.edges[i]:
                at = x[2 * count + corner]
                ratio = self.edge(at + step, slope, kind) / self.edge(at - step, slope, kind)
                out[2 * count + corner] += (by_log[i] * np.log(ratio)).real.sum() / (2 * step)
        at = 2 * count + len(self.corners)
        for i, channel in enumerate(self.channels):
            db, plays = bank_db[i], self.plays[i]
            force = CAP * 2 * np.maximum(db - CAP_DB, 0) / len(db)
            force = force + plays * (BOOST * 2 * np.maximum(db, 0) + MEAN * 2 * db[plays].mean()) / plays.sum()
            weights = by_log[i] + force * DB
            for _ in channel["bands"]:
                for which in range(3):
                    high, low = x[at : at + 3].copy(), x[at : at + 3].copy()
                    high[which] += step
                    low[which] -= step
                    ratio = self.band(*high) / self.band(*low)
                    out[at + which] = (weights * np.log(ratio)).real.sum() / (2 * step)
                at += 3
        return out

    def descended(self, start):
        begin = time.process_time()
        bounds = self.bounds()
        found = optimize.minimize(
            lambda x: self.cost(x, True),
            np.clip(start, bounds[:, 0], bounds[:, 1]),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxfun": EVALUATIONS, "maxiter": EVALUATIONS},
        )
        return float(found.fun), time.process_time() - begin


def tuned(ours, seed):
    hz, responses = drawn(seed)
    drivers = [
        {"channel": name, "role": role, "feed": feed, "usable_hz": usable, "re": r.real.tolist(), "im": r.imag.tolist()}
        for (name, role, feed, usable, _), r in zip(PARTS, responses)
    ]
    answer = ours.ask("tune", frequency_hz=hz, drivers=drivers, processor=PROCESSOR, target=TARGET)
    return Car(hz, responses, np.array(answer["target_db"]), answer["channels"]), answer


def check(ours, checks):
    """One car: our slopes hold here too, and ours on the grid is no worse than L-BFGS-B from two random starts."""
    car, _ = tuned(ours, 0)
    cost, slopes = car.cost(car.start(), True)
    step = 1e-5
    for at in (0, len(PARTS) + 2, 2 * len(PARTS) + 1, len(slopes) - 2):
        high, low = car.start(), car.start()
        high[at] += step
        low[at] -= step
        wanted = (car.cost(high) - car.cost(low)) / (2 * step)
        checks.near(f"slope {at} of the joint cost", slopes[at], wanted, 1e-4 * max(1, abs(wanted)))
    random = np.random.default_rng(0)
    theirs = min(car.descended(car.random_start(random))[0] for _ in range(2))
    checks.at_most("cost of the tune against L-BFGS-B from two random starts", cost / theirs, 1.05)


def compared(ours, seed):
    car, answer = tuned(ours, seed)
    random = np.random.default_rng(seed)
    mine = car.cost(car.start())
    begun, begun_s = car.descended(car.start())
    starts = [car.descended(car.random_start(random)) for _ in range(RANDOM_STARTS)]
    row = {
        "car": seed,
        "ours": mine,
        "ours_s": answer["seconds"],
        "begun": begun,
        "best": min(cost for cost, _ in starts),
        "median": statistics.median(cost for cost, _ in starts),
        "theirs_s": sum(seconds for _, seconds in starts),
        "begun_s": begun_s,
    }
    print(row, flush=True)
    return row


def main():
    with Ours(sys.argv[1]) as ours:
        rows = [compared(ours, seed) for seed in range(CARS)]
    head = (
        "| car | ours, on the grid | L-BFGS-B from ours | best of 20 random starts | their median | ours, s | theirs, s |\n"
        "| --- | --- | --- | --- | --- | --- | --- |\n"
    )
    lines = "\n".join(
        f"| {r['car']} | {r['ours']:.3f} | {r['begun']:.3f} | {r['best']:.3f} | {r['median']:.3f} | {r['ours_s']:.2f} | "
        f"{r['theirs_s']:.0f} |"
        for r in rows
    )
    between("cargo xtask reference --tune", f"{machine()}\n\n{head}{lines}")


if __name__ == "__main__":
    main()
