"""Sweeps, the response found from a recording of one, rates, and correlation."""

import numpy as np
from scipy import signal

from checks import db
from ours import complex_of

NOISE = np.random.default_rng(3)


def check(ours, checks):
    sweeps(ours, checks)
    responses(ours, checks)
    rates(ours, checks)
    correlation(ours, checks)


def sweep(from_hz, to_hz, duration_s, rate, synchronised):
    """Source: Farina 2000; Novak 2015 for the synchronised kind."""
    constant = duration_s / np.log(to_hz / from_hz)
    if synchronised:
        constant = round(from_hz * constant) / from_hz
        duration_s = constant * np.log(to_hz / from_hz)
    time = np.arange(int(np.floor(duration_s * rate))) / rate
    return constant, np.sin(2 * np.pi * from_hz * constant * (np.exp(time / constant) - 1))


def sweeps(ours, checks):
    for synchronised in (False, True):
        settings = dict(from_hz=20.0, to_hz=20_000.0, duration_s=4.0, sample_rate_hz=48_000.0, synchronised=synchronised)
        answer = ours.ask("sweep", **settings)
        constant, wanted = sweep(20.0, 20_000.0, 4.0, 48_000.0, synchronised)
        name = "synchronised sweep" if synchronised else "sweep"
        checks.near(f"{name}: time constant", answer["time_constant_s"], constant, 1e-12)
        got = np.asarray(answer["samples"])
        common = min(len(got), len(wanted))
        checks.at_most(f"{name}: difference of lengths in samples", abs(len(got) - len(wanted)), 1)
        # 80,000 turns of phase lose five of sixteen digits.
        checks.near(f"{name}: samples", got[:common], wanted[:common], 1e-8)


def responses(ours, checks):
    """A filter of scipy's between the sweep and its recording; what is found must be that filter.

    Bars: a wire within 0.01 dB, known filters within 0.05 dB, 20 Hz to 20 kHz.
    """
    rate, delay, from_hz, to_hz = 48_000, 960, 15.0, 21_500.0
    _, played = sweep(from_hz, to_hz, 5.0, rate, True)
    ramp = np.sin(np.linspace(0, np.pi / 2, rate // 50)) ** 2
    played[: len(ramp)] *= ramp
    played[-len(ramp) :] *= ramp[::-1]
    at_hz = np.geomspace(20.0, 20_000.0, 400)
    filters = {
        "a wire": (np.array([[1.0, 0, 0, 1, 0, 0]]), 0.01),
        "a band-pass from 80 Hz to 5 kHz": (
            np.vstack([
                signal.butter(2, 80, "high", fs=rate, output="sos"),
                signal.butter(2, 5_000, "low", fs=rate, output="sos"),
            ]),
            0.05,
        ),
        "an elliptic low-pass of 3 kHz": (signal.ellip(4, 1, 40, 3_000, fs=rate, output="sos"), 0.05),
    }
    for name, (sos, tolerance) in filters.items():
        recording = signal.sosfilt(sos, np.concatenate([np.zeros(delay), played, np.zeros(rate)]))
        got = complex_of(
            ours.ask(
                "response",
                played=played,
                recording=recording,
                sample_rate_hz=rate,
                from_hz=from_hz,
                to_hz=to_hz,
                delay_s=delay / rate,
                at_hz=at_hz,
            )
        )
        truth = signal.sosfreqz(sos, at_hz, fs=rate)[1]
        # A zero of the filter has no level to compare; it is held by the complex check below.
        loud = np.abs(truth) > 3e-3
        checks.near(f"sweep response of {name}, in dB", db(got[loud]), db(truth[loud]), tolerance)
        checks.near(f"sweep response of {name}, complex", got, truth, 1e-3)
        # A division of the two spectra without window or regularisation, read at its bins.
        length = len(recording)
        bins = np.unique(np.round(at_hz * length / rate).astype(int))
        direct = np.fft.rfft(recording)[bins] / np.fft.rfft(played, length)[bins]
        direct *= np.exp(2j * np.pi * bins * delay / length)
        got = complex_of(
            ours.ask(
                "response",
                played=played,
                recording=recording,
                sample_rate_hz=rate,
                from_hz=from_hz,
                to_hz=to_hz,
                delay_s=delay / rate,
                at_hz=bins * rate / length,
            )
        )
        checks.near(f"sweep response of {name}, against numpy's spectral division", got, direct, 1e-3)


def rates(ours, checks):
    """Sines are known between their samples, at any rate."""
    tones = ((37.0, 0.3), (1_234.5, 0.3), (15_000.0, 0.3))

    def sines(time):
        return sum(peak * np.sin(2 * np.pi * frequency * time + frequency) for frequency, peak in tones)

    for before, after in ((44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 48_004.8)):
        length = 30_000
        got = np.asarray(ours.ask("resampled", signal=sines(np.arange(length) / before), from_hz=before, to_hz=after))
        wanted = sines(np.arange(len(got)) / after)
        middle = slice(500, len(got) - 500)
        checks.near(f"from {before} to {after} Hz", got[middle], wanted[middle], 1e-5)
    step = 1 + 300e-6
    got = np.asarray(ours.ask("read-between", signal=sines(np.arange(30_000) / 48_000), start=1_000.37, step=step, frames=20_000))
    checks.near("read between samples, 300 ppm off", got, sines((1_000.37 + step * np.arange(20_000)) / 48_000), 1e-6)


def correlation(ours, checks):
    a, b = NOISE.standard_normal(5_000), NOISE.standard_normal(1_700)
    answer = ours.ask("correlation", a=a, b=b)
    checks.near("cross-correlation", answer["correlation"], signal.correlate(a, b), 1e-9)
    checks.near("Hilbert envelope", answer["envelope"], np.abs(signal.hilbert(a)), 1e-12)
