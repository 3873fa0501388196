"""Times our kernels and numpy's or scipy's on the same work: `python time.py PROGRAM`.

Writes the table into `docs/performance.md`. Nothing passes or fails by it: times depend on the
machine, ratios much less. `cargo xtask reference --time` does all of it.
"""

import statistics
import sys
import time

import numpy as np
import scipy
from scipy import signal

from ours import Ours
from speed import between, machine

RATE = 48_000


def transform(noise):
    np.fft.rfft(noise)


def smoothing(power):
    """The same prefix sums as ours, with numpy's means."""
    edges = np.arange(len(power) + 1) - 0.5
    edges[0] = 0.1
    sums = np.concatenate([[0.0], np.cumsum(power * np.diff(np.log(edges)))])
    at_hz = 20.0 * 2 ** (np.arange(960) / 96)
    bin_hz = RATE / 2 / (len(power) - 1)
    low, high = (np.clip(at_hz * 2 ** (sign / 48) / bin_hz, 0.1, edges[-1]) for sign in (-1, 1))

    def integral(x):
        k = np.minimum(np.floor(x + 0.5).astype(int), len(power) - 1)
        return sums[k] + power[k] * np.log(x / edges[k])

    return (integral(high) - integral(low)) / np.log(high / low)


MIDS = 1_000 * 10 ** (np.arange(-17, 14) / 10)
BANDS = [
    signal.butter(4, [mid * 10**-0.05, min(mid * 10**0.05, 0.499 * RATE)], "bandpass", fs=RATE, output="sos")
    for mid in MIDS
]


def bank(noise):
    return [np.mean(signal.sosfilt(band, noise) ** 2) for band in BANDS]


def deconvolution(noise):
    length = scipy.fft.next_fast_len(len(noise), real=True)
    played, recording = np.fft.rfft(noise[: len(noise) // 2], length), np.fft.rfft(noise, length)
    power = np.abs(played) ** 2
    return np.fft.irfft(recording * np.conj(played) / (power + 1e-6 * np.mean(power)), length)


def correlation(noise):
    return signal.correlate(noise, noise[: len(noise) // 8], method="fft")


def single_correlation(noise):
    return signal.correlate(noise.astype(np.float32), noise[: len(noise) // 8].astype(np.float32), method="fft")


def short_resampling(noise):
    """The filter that scipy makes by itself: 20 taps a phase."""
    return signal.resample_poly(noise, 160, 147, window=("kaiser", 11.5))


# 120 dB down at half the lower rate, 4.2 % of which the pass band ends before it: what ours keeps.
LIKE_OURS = signal.firwin(2 * 92 * 160 + 1, (1 - 0.0424) / 160, window=("kaiser", 12.27))


def resampling(noise):
    return signal.resample_poly(noise, 160, 147, window=LIKE_OURS)


def minimum_phase(noise):
    magnitude = 1 + np.abs(noise)
    length = 2 * (len(magnitude) - 1)
    cepstrum = np.fft.irfft(np.log(magnitude), length)
    cepstrum[1 : length // 2] *= 2
    cepstrum[length // 2 + 1 :] = 0
    return np.exp(np.fft.rfft(cepstrum))


WORK = (
    ("real transform of 2^16 samples", "transform", transform, 2**16, 50),
    ("real transform of 2^18 samples", "transform", transform, 2**18, 30),
    ("real transform of 2^20 samples", "transform", transform, 2**20, 10),
    ("1/24-octave smoothing of 2^17 bins at 960 points", "smoothing", smoothing, 2**17 + 1, 30),
    ("31 third-octave filters over 10 s", "bank", bank, 10 * RATE, 5),
    ("impulse response from a recording of 20 s", "deconvolution", deconvolution, 20 * RATE, 10),
    ("correlation of 10 s with a template of 1.25 s", "correlation", correlation, 10 * RATE, 10),
    ("the same, ours in single precision", "correlation-single", single_correlation, 10 * RATE, 10),
    ("10 s from 44.1 to 48 kHz, by filters of one quality", "resampling", resampling, 441_000, 10),
    ("the same, theirs by 20 taps a phase", "resampling", short_resampling, 441_000, 10),
    ("minimum phase of 2^17 bins", "minimum-phase", minimum_phase, 2**17 + 1, 20),
)


def timed(function, argument, runs):
    function(argument)
    seconds = []
    for _ in range(runs):
        start = time.perf_counter()
        function(argument)
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds)


def rows(ours):
    noise = np.random.default_rng(4)
    for title, kernel, theirs, length, runs in WORK:
        work = noise.standard_normal(length)
        if kernel == "smoothing":
            work = work**2
        # By turns, so that a slow moment of the machine does not fall on one side only.
        us, them = [], []
        for _ in range(3):
            answer = ours.ask("time", kernel=kernel, signal=work, runs=runs, bin_hz=RATE / 2 / (length - 1))
            us.append(statistics.median(answer))
            them.append(timed(theirs, work, runs))
        mine, other = statistics.median(us), statistics.median(them)
        print(f"{title}: {1e3 * mine:.3g} ms, {theirs.__name__} {1e3 * other:.3g} ms, {other / mine:.2g} times")
        yield f"| {title} | {1e3 * mine:.3g} | {1e3 * other:.3g} | {other / mine:.2g} |"


def main():
    with Ours(sys.argv[1]) as ours:
        table = "\n".join(rows(ours))
    between(
        "cargo xtask reference --time",
        f"""{machine()}

| work | ours, ms | numpy or scipy, ms | theirs over ours |
| --- | --- | --- | --- |
{table}""",
    )


if __name__ == "__main__":
    main()
