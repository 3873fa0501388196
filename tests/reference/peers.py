"""What numpy and scipy do in the place of our kernels and analyses, the way one would write it."""

import numpy as np
import scipy
from scipy import signal

RATE = 48_000


def transform(noise):
    np.fft.rfft(noise)


def smoothing(power):
    """The power mean over 1/24 octave by prefix sums over log frequency."""
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
    return correlation(noise.astype(np.float32))


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


def swept(from_hz, to_hz, duration_s, rate_hz):
    """An exponential sweep (Farina 2000) on a clock, faded by 10 ms."""
    count = int(duration_s * rate_hz)
    t = np.arange(count) / rate_hz
    growth = duration_s / np.log(to_hz / from_hz)
    fade = np.clip(np.minimum(t, t[-1] - t) / 0.01, 0, 1)
    return np.sin(2 * np.pi * from_hz * growth * np.expm1(t / growth)) * (0.5 - 0.5 * np.cos(np.pi * fade))


SWEEP_S, APART_S = 10.0, 12.0


def sweep(noise):
    """Two copies of a sweep in a recording: found, their clock, the mean response, its phase and delay, three harmonics
    and the noise floor. Ours also tells polarity, arrival, lost samples, disturbed copies, decay and what is valid."""
    played = swept(20, 20_000, SWEEP_S, RATE)
    recording = noise * 1e-3
    for copy in range(2):
        first = int((1.3 + copy * APART_S) * RATE)
        recording[first : first + len(played)] += 0.3 * played
    envelope = np.abs(signal.hilbert(signal.correlate(recording, played, method="fft")))[len(played) - 1 :]
    first = int(np.argmax(envelope[: 12 * RATE]))
    second = first + int(np.argmax(envelope[first + 11 * RATE : first + 13 * RATE])) + 11 * RATE
    lead, length = int(0.3 * RATE), scipy.fft.next_fast_len(int((SWEEP_S + 1.3) * RATE), real=True)
    rate_hz = (second - first) / APART_S
    stretches = [recording[at - lead : at - lead + length] for at in (first, second)]
    impulses = []
    # The clock once by the search, once more by what the two copies then say.
    for _ in range(2):
        reference = np.fft.rfft(swept(20, 20_000, SWEEP_S, rate_hz), length)
        power = np.abs(reference) ** 2
        inverse = np.conj(reference) / (power + 1e-6 * np.mean(power))
        impulses = [np.fft.irfft(np.fft.rfft(stretch, length) * inverse, length) for stretch in stretches]
        near = slice(lead - RATE // 10, lead + RATE // 10)
        cross = np.fft.irfft(np.fft.rfft(impulses[1][near], 1 << 16) * np.conj(np.fft.rfft(impulses[0][near], 1 << 16)))
        lag = int(np.argmax(cross))
        rate_hz += (lag - len(cross) if lag > len(cross) // 2 else lag) / APART_S
    impulse = np.mean(impulses, axis=0)
    growth = SWEEP_S / np.log(1_000)
    at_hz = 20.0 * 2 ** (np.arange(960) / 96)

    def response(middle, span):
        part = np.roll(impulse, RATE // 100 - middle)[: 1 << 17] * np.hanning(1 << 18)[1 << 17 :]
        bins = np.fft.rfft(part[:span], 1 << 18)
        return np.interp(at_hz, np.arange(len(bins)) * RATE / (1 << 18), 20 * np.log10(np.abs(bins) + 1e-12)), bins

    magnitude, bins = response(lead, RATE)
    phase = np.unwrap(np.angle(bins))
    delay = -np.gradient(phase)
    harmonics = [response(lead - int(growth * np.log(order) * RATE), RATE // 5)[0] for order in (2, 3, 4)]
    floor = signal.welch(recording[: int(1.2 * RATE)], RATE, nperseg=8_192)
    return magnitude, delay, harmonics, floor


def spectrum(noise):
    return 10 * np.log10(bank(noise))


def level(noise):
    """RMS, peak, offset and a level every tenth of a second, of samples as they are recorded."""
    samples = noise.astype(np.float32)
    parts = samples[: len(samples) // 4_800 * 4_800].reshape(-1, 4_800).astype(np.float64)
    return (
        np.sqrt(np.mean(samples.astype(np.float64) ** 2)),
        np.max(np.abs(samples)),
        np.mean(samples),
        10 * np.log10(np.mean(parts**2, axis=1)),
    )


def transfer(noise):
    """H1 and coherence by windows of 65,536 that overlap by half, the delay found and removed before."""
    late = np.concatenate([np.zeros(960), noise[:-960]])
    correlated = signal.correlate(late, noise, method="fft")
    delay = int(np.argmax(np.abs(correlated))) - len(noise) + 1
    x, y = noise[:-delay], late[delay:]
    settings = {"fs": RATE, "window": "hann", "nperseg": 65_536, "noverlap": 32_768}
    _, xy = signal.csd(x, y, **settings)
    (_, xx), (_, yy) = signal.welch(x, **settings), signal.welch(y, **settings)
    return xy / xx, np.abs(xy) ** 2 / (xx * yy)
