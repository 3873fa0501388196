"""Sine fits and harmonics, by scipy's least squares on the same samples."""

import numpy as np
from scipy import optimize

RATE = 48_000
NOISE = np.random.default_rng(5)


def check(ours, checks):
    sine_fits(ours, checks)
    harmonics(ours, checks)


def sine_fits(ours, checks):
    """Four parameters after IEEE 1057, at 60 dB and 20 dB of signal-to-noise ratio, one second."""
    time = np.arange(RATE) / RATE
    for frequency, snr_db in ((997.3, 60.0), (40.12, 60.0), (8_765.4, 60.0), (997.3, 20.0)):
        clean = 0.3 * np.cos(2 * np.pi * frequency * time + 0.7) + 0.01
        noisy = clean + 0.3 / np.sqrt(2) * 10 ** (-snr_db / 20) * NOISE.standard_normal(RATE)
        fit = optimize.least_squares(
            lambda p: p[1] * np.cos(2 * np.pi * p[0] * time + p[2]) + p[3] - noisy,
            [frequency * (1 + 1e-6), 0.29, 0.69, 0.0],
            x_scale=[1e-3, 0.1, 0.1, 0.1],
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
        )
        got = ours.ask("sine-fit", signal=noisy, sample_rate_hz=RATE, start_hz=frequency + 0.4)
        name = f"sine fit at {frequency} Hz and {snr_db:.0f} dB"
        checks.near(f"{name}: frequency (ratio)", got["frequency_hz"] / fit.x[0], 1.0, 1e-8)
        checks.near(f"{name}: amplitude (ratio)", got["amplitude"] / fit.x[1], 1.0, 1e-6)
        checks.near(f"{name}: phase in radians", got["phase_rad"], fit.x[2], 1e-5)
        checks.near(f"{name}: offset", got["offset"], fit.x[3], 1e-7)


def harmonics(ours, checks):
    """A tone through a curve without aliasing, against linear least squares on all harmonics at once."""
    time = np.arange(RATE) / RATE
    for frequency in (40.0, 997.3):
        phase = 2 * np.pi * frequency * time
        orders = np.arange(2, min(int(20_000 / frequency), 30) + 1)
        amplitudes = 0.1 / orders**2
        tone = 0.5 * np.cos(phase)
        tone += sum(a * np.cos(n * phase + n) for n, a in zip(orders, amplitudes))
        tone += 1e-5 * NOISE.standard_normal(RATE)
        columns = [np.ones(RATE)]
        for n in range(1, len(orders) + 2):
            columns += [np.cos(n * phase), np.sin(n * phase)]
        solution = np.linalg.lstsq(np.stack(columns, axis=1), tone, rcond=None)[0]
        wanted = np.hypot(solution[1::2], solution[2::2])
        got = ours.ask("harmonics", signal=tone, sample_rate_hz=RATE, start_hz=frequency - 0.3)
        name = f"harmonics of {frequency} Hz"
        checks.near(f"{name}: fundamental", got["fundamental"]["amplitude"], wanted[0], 1e-5)
        checks.near(f"{name}: amplitudes", got["amplitudes"][: len(orders)], wanted[1:], 1e-5)
        thd = np.sqrt(np.sum(wanted[1:] ** 2)) / wanted[0]
        checks.near(f"{name}: THD (ratio)", got["thd"] / thd, 1.0, 5e-3)
