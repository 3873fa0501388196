"""Sections and crossovers, designed here from their analogue prototypes by scipy alone."""

import numpy as np
from scipy import signal

from ours import complex_of

RATES_HZ = (44_100, 48_000, 96_000, 192_000)


def check(ours, checks):
    cookbook(ours, checks)
    crossovers(ours, checks)
    sums(ours, checks)


def prototype(kind, gain_db, q):
    """The analogue prototypes H(s), s normalised to the centre frequency.

    Source: Audio EQ Cookbook, W3C Group Note, 8 June 2021, list of prototypes.
    """
    a = 10 ** (gain_db / 40)
    root = np.sqrt(a)
    return {
        "peak": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low-shelf": (a * np.array([1, root / q, a]), [a, root / q, 1]),
        "high-shelf": (a * np.array([a, root / q, 1]), [1, root / q, a]),
        "low-pass": ([1], [1, 1 / q, 1]),
        "high-pass": ([1, 0, 0], [1, 1 / q, 1]),
        "band-pass": ([1 / q, 0], [1, 1 / q, 1]),
        "notch": ([1, 0, 1], [1, 1 / q, 1]),
        "all-pass": ([1, -1 / q, 1], [1, 1 / q, 1]),
    }[kind]


def cookbook(ours, checks):
    """Each section against its prototype, taken to the z-plane by scipy's bilinear transform."""
    settings = [
        (rate, frequency, gain, q)
        for rate in RATES_HZ
        for frequency in (20.0, 63.0, 1_000.0, 12_345.6, 20_000.0)
        for gain, q in ((-12.0, 0.5), (6.0, 1.4142), (0.5, 10.0), (-3.0, 0.7071))
    ]
    for kind in ("peak", "low-shelf", "high-shelf", "low-pass", "high-pass", "band-pass", "notch", "all-pass"):
        got, wanted, got_response, wanted_response = [], [], [], []
        for rate, frequency, gain, q in settings:
            at_hz = np.geomspace(10.0, 0.49 * rate, 60)
            answer = ours.ask(
                "section", type=kind, sample_rate_hz=rate, frequency_hz=frequency, gain_db=gain, q=q, at_hz=at_hz
            )
            # s = cot(w0/2)·(z − 1)/(z + 1), which scipy writes as 2·fs·(z − 1)/(z + 1).
            b, a = signal.bilinear(*prototype(kind, gain, q), fs=0.5 / np.tan(np.pi * frequency / rate))
            b = np.pad(b, (0, 3 - len(b)))
            got.append([*answer["b"], *answer["a"]])
            wanted.append([*b, *a[1:]])
            got_response.append(complex_of(answer["response"]))
            wanted_response.append(signal.sosfreqz([[*answer["b"], 1.0, *answer["a"]]], at_hz, fs=rate)[1])
        checks.near(f"cookbook {kind}: coefficients", got, wanted, 1e-9)
        checks.near(f"cookbook {kind}: response", got_response, wanted_response, 1e-8)


def sections(family, order, side, corner_hz, rate):
    """A crossover's sections as scipy designs them."""
    if family == "butterworth":
        return signal.butter(order, corner_hz, side, fs=rate, output="sos")
    if family == "bessel":
        return signal.bessel(order, corner_hz, side, norm="mag", fs=rate, output="sos")
    half = signal.butter(order // 2, corner_hz, side, fs=rate, output="sos")
    return np.vstack([half, half])


def families():
    for family, orders in (("butterworth", range(1, 9)), ("bessel", range(1, 9)), ("linkwitz-riley", (2, 4, 6, 8))):
        for order in orders:
            yield family, order


def crossovers(ours, checks):
    """Every family and order: the response, and noise sent through it."""
    noise = np.random.default_rng(1).standard_normal(2_000)
    for family, order in families():
        got, wanted, got_signal, wanted_signal = [], [], [], []
        for side in ("low", "high"):
            for rate, corner in ((44_100, 80.0), (48_000, 2_500.0), (96_000, 20.0), (192_000, 8_000.0)):
                at_hz = np.geomspace(10.0, 0.45 * rate, 80)
                answer = ours.ask(
                    "crossover",
                    family=family,
                    order=order,
                    side=side,
                    sample_rate_hz=rate,
                    corner_hz=corner,
                    at_hz=at_hz,
                    signal=noise,
                )
                sos = sections(family, order, side, corner, rate)
                got.append(complex_of(answer["response"]))
                wanted.append(signal.sosfreqz(sos, at_hz, fs=rate)[1])
                got_signal.append(answer["signal"])
                wanted_signal.append(signal.sosfilt(sos, noise))
        checks.near(f"{family} of order {order}: response", got, wanted, 1e-7)
        checks.near(f"{family} of order {order}: filtered noise", got_signal, wanted_signal, 1e-7)


def sums(ours, checks):
    """Linkwitz-Riley ways add up to a flat whole. Source: S. Linkwitz, JAES 24(1), 1976."""
    at_hz = np.geomspace(10.0, 20_000.0, 400)
    for order in (2, 4, 6, 8):
        ways = [
            complex_of(
                ours.ask(
                    "crossover",
                    family="linkwitz-riley",
                    order=order,
                    side=side,
                    sample_rate_hz=48_000,
                    corner_hz=2_000.0,
                    at_hz=at_hz,
                    signal=[0.0],
                )["response"]
            )
            for side in ("low", "high")
        ]
        # At orders 2 and 6 the two ways are in opposition at the corner, and one is inverted.
        total = ways[0] + (-1 if order % 4 == 2 else 1) * ways[1]
        checks.near(f"linkwitz-riley of order {order}: sum in dB", 20 * np.log10(np.abs(total)), np.zeros(400), 1e-3)
