"""Transforms, windows, smoothing, bands, weighting, detectors and minimum phase."""

import numpy as np
from scipy import signal

from ours import complex_of

NOISE = np.random.default_rng(2)


def check(ours, checks):
    transforms(ours, checks)
    windows(ours, checks)
    smoothing(ours, checks)
    octave_bands(ours, checks)
    fft_bands(ours, checks)
    filter_bank(ours, checks)
    weighting(ours, checks)
    detectors(ours, checks)
    minimum_phase(ours, checks)


def transforms(ours, checks):
    """Lengths with small, large and mixed factors, against numpy's pocketfft."""
    for length in (64, 1_000, 4_096, 7_919, 48_000):
        noise = NOISE.standard_normal(length)
        answer = ours.ask("transform", signal=noise)
        # Rounding grows like the root of the length times the logarithm of it.
        checks.near(f"transform of {length}", complex_of(answer["spectrum"]), np.fft.rfft(noise), 1e-13 * length)
        checks.near(f"transform of {length} and back", answer["again"], noise, 1e-12)


def windows(ours, checks):
    """Weights of scipy's periodic windows; noise bandwidths of Harris 1978, Table 1 (flat-top: scipy's)."""
    for name, bandwidth in (("hann", 1.5), ("blackmanharris", 2.0044), ("flattop", 3.7702)):
        answer = ours.ask("window", name=name, length=4_096)
        checks.near(f"window {name}", answer["weights"], signal.get_window(name, 4_096), 1e-8)
        checks.near(f"window {name}: noise bandwidth in bins", answer["enbw_bins"], bandwidth, 1e-3 * bandwidth)


def smoothed_directly(power, bin_hz, fraction, frequency_hz, lowest=0.1):
    """The mean over log frequency, bin by bin: the definition, without prefix sums."""
    edges = np.arange(len(power) + 1) - 0.5
    edges[0] = lowest
    low = np.clip(frequency_hz * 2 ** (-0.5 / fraction) / bin_hz, lowest, edges[-1])
    high = np.clip(frequency_hz * 2 ** (0.5 / fraction) / bin_hz, lowest, edges[-1])
    inside = np.clip(edges, low, high)
    return np.sum(power * np.diff(np.log(inside))) / np.log(high / low)


def smoothing(ours, checks):
    power = NOISE.exponential(size=16_385)
    at_hz = np.geomspace(20.0, 24_000.0, 500)
    bin_hz = 48_000 / 32_768
    for fraction in (1, 3, 6, 24, 48):
        got = ours.ask("smoothing", power=power, bin_hz=bin_hz, fraction=fraction, at_hz=at_hz)
        wanted = [smoothed_directly(power, bin_hz, fraction, frequency) for frequency in at_hz]
        checks.near(f"smoothing over 1/{fraction} octave against the direct sum", got, wanted, 1e-9)
    got = ours.ask("smoothing", power=np.full(4_097, 2.5), bin_hz=bin_hz, fraction=3, at_hz=at_hz)
    checks.near("smoothing leaves a constant as it is, at the edges too", got, np.full(500, 2.5), 1e-9)


def octave_bands(ours, checks):
    """Source: IEC 61260-1:2014, Formulas (1) to (5), the base-ten system."""
    for fraction, numbers in ((1, np.arange(-5, 5)), (3, np.arange(-17, 14)), (12, np.arange(-67, 52))):
        b = float(fraction)
        exponent = (2 * numbers + 1) / (2 * b) if fraction % 2 == 0 else numbers / b
        mid = 1_000.0 * 10 ** (0.3 * exponent)
        edge = 10 ** (0.15 / b)
        answer = ours.ask("octave-bands", fraction=fraction, from_hz=mid[0], to_hz=mid[-1])
        for name, wanted in (("mid_hz", mid), ("lower_hz", mid / edge), ("upper_hz", mid * edge)):
            checks.near(f"1/{fraction}-octave bands: {name} (ratio)", np.divide(answer[name], wanted), np.ones(len(mid)), 1e-12)


def fft_bands(ours, checks):
    """Band powers as the integral of scipy's power density, constant across each bin, between exact edges."""
    rate, length = 48_000, 2**16
    noise = NOISE.standard_normal(length)
    frequency, density = signal.periodogram(noise, rate, window="hann", detrend=False, scaling="density")
    # The running integral over frequency; bin k reaches half a bin to either side.
    edges = np.concatenate([[-frequency[1] / 2], frequency + frequency[1] / 2])
    integral = np.concatenate([[0.0], np.cumsum(density * frequency[1])])
    for fraction in (1, 3, 12, 48):
        settings = dict(fraction=fraction, from_hz=25.0, to_hz=16_000.0)
        bands = ours.ask("octave-bands", **settings)
        got = ours.ask("fft-bands", signal=noise, sample_rate_hz=rate, **settings)
        wanted = np.interp(bands["upper_hz"], edges, integral) - np.interp(bands["lower_hz"], edges, integral)
        checks.near(f"1/{fraction}-octave bands from a transform (ratio)", np.divide(got, wanted), np.ones(len(wanted)), 1e-9)


def filter_bank(ours, checks):
    """Noise through the third-octave bank against the same noise's spectrum under the ideal Butterworth band.

    The bank is a Butterworth band-pass of order 8 between the exact edges; here its analogue
    magnitude, designed by scipy, weighs the bins of one long transform.
    """
    rate, length = 48_000, 2**19
    noise = NOISE.standard_normal(length)
    # The bank starts at rest; noise that begins and ends softly is the same for both.
    noise *= signal.windows.tukey(length, 0.2)
    answer = ours.ask("bank", fraction=3, sample_rate_hz=rate, from_hz=50, to_hz=16_000, signal=noise)
    power = np.abs(np.fft.rfft(noise)) ** 2
    power[1:-1] *= 2
    frequency = np.fft.rfftfreq(length, 1 / rate)
    edge = 10**0.05
    got, wanted = [], []
    for mid, mean_square in zip(answer["mid_hz"], answer["mean_square"]):
        zeros, poles, gain = signal.butter(
            4, [2 * np.pi * mid / edge, 2 * np.pi * mid * edge], "bandpass", analog=True, output="zpk"
        )
        _, response = signal.freqs_zpk(zeros, poles, gain, 2 * np.pi * frequency)
        got.append(10 * np.log10(mean_square))
        wanted.append(10 * np.log10(np.sum(power * np.abs(response) ** 2) / length**2))
    checks.near("third-octave bank on noise, 50 Hz to 16 kHz, in dB", got, wanted, 0.05)


def weighting(ours, checks):
    """The formulas of IEC 61672-1:2013, Annex E, with the poles computed here from their definition."""
    f_r, f_l, f_h, f_a = 1_000.0, 10**1.5, 10**3.9, 10**2.45
    d = np.sqrt(0.5)
    c = f_l**2 * f_h**2
    b = (f_r**2 + c / f_r**2 - d * (f_l**2 + f_h**2)) / (1 - d)
    f1, f4 = (np.sqrt((-b + sign * np.sqrt(b * b - 4 * c)) / 2) for sign in (-1, 1))
    f2, f3 = ((3 + sign * np.sqrt(5)) / 2 * f_a for sign in (-1, 1))

    def formula(name, f):
        ratio = f4**2 * f**2 / ((f**2 + f1**2) * (f**2 + f4**2))
        if name == "a":
            ratio = ratio * f**2 / (np.sqrt(f**2 + f2**2) * np.sqrt(f**2 + f3**2))
        return 20 * np.log10(ratio)

    at_hz = np.geomspace(10.0, 20_000.0, 300)
    for name in ("a", "c"):
        wanted = formula(name, at_hz) - formula(name, 1_000.0)
        for rate in (44_100, 48_000, 96_000, 192_000):
            answer = ours.ask("weighting", name=name, sample_rate_hz=rate, at_hz=at_hz)
            checks.near(f"weighting {name}: formula", answer["formula_db"], wanted, 1e-6)
            low = at_hz <= 10_000
            got = np.asarray(answer["filter_db"])
            checks.near(f"weighting {name}: filter at {rate} Hz to 10 kHz, in dB", got[low], wanted[low], 0.3)


def detectors(ours, checks):
    """The recursion of IEC 61672-1:2013, 3.9, run by scipy.signal.lfilter."""
    rate = 48_000
    noise = NOISE.standard_normal(20_000)
    for time_constant in (0.125, 1.0):
        decay = np.exp(-1 / (rate * time_constant))
        wanted = signal.lfilter([1 - decay], [1, -decay], noise**2)
        got = ours.ask("detector", sample_rate_hz=rate, time_constant_s=time_constant, signal=noise)
        checks.near(f"exponential detector of {time_constant} s", got, wanted, 1e-12)


def minimum_phase(ours, checks):
    """Filters that are minimum phase by design must come back from their magnitude alone."""
    sos = np.vstack([
        signal.butter(2, 40, "high", fs=48_000, output="sos"),
        signal.butter(4, 9_000, "low", fs=48_000, output="sos"),
    ])
    # The zeros at DC and at half the rate lie on the unit circle, where a logarithm has no end;
    # moved inside, they are minimum phase in earnest.
    for section, radius in zip(sos, (0.999, 0.97, 0.97)):
        section[1:3] *= (radius, radius**2)
    _, wanted = signal.sosfreqz(sos, np.linspace(0, np.pi, 2**16 + 1))
    got = complex_of(ours.ask("phase-of-magnitude", magnitude=np.abs(wanted)))
    checks.near("minimum phase from magnitude, in degrees", np.degrees(np.angle(got / wanted)), np.zeros(2**16 + 1), 0.01)
