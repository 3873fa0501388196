"""The response of a measured room, from its impulse response, for the side-by-side fits.

Source of data/seminar-room.wav: the exercises of "Selected Topics in Audio Signal Processing",
file rir_clap.wav (https://github.com/spatialaudio/selected-topics-in-audio-signal-processing-exercises),
CC0 1.0. Two wooden boards were clapped together in a seminar room, so that the spectrum of the clap
is part of it. Below 160 Hz the clap is lost in the room's noise (less than 10 dB above it).
"""

import pathlib

import numpy as np
import scipy.io.wavfile

DATA = pathlib.Path(__file__).parent / "data"
FROM_HZ, TO_HZ = 160.0, 16_000.0
POINTS, SMOOTHING = 48, 24  # an octave; 1/24 octave


def response(path):
    """Frequencies and levels in dB, smoothed by power over a rectangle in log frequency."""
    rate, samples = scipy.io.wavfile.read(path)
    power = np.abs(np.fft.rfft(samples / 32768.0, 1 << 18)) ** 2
    bin_hz = rate / (1 << 18)
    total = np.concatenate(([0.0], np.cumsum(power)))
    at = FROM_HZ * 2.0 ** (np.arange(int(POINTS * np.log2(TO_HZ / FROM_HZ)) + 1) / POINTS)
    low = np.round(at * 2.0 ** (-0.5 / SMOOTHING) / bin_hz).astype(int)
    high = np.round(at * 2.0 ** (0.5 / SMOOTHING) / bin_hz).astype(int) + 1
    return at, 10.0 * np.log10((total[high] - total[low]) / (high - low))


if __name__ == "__main__":
    frequency_hz, level_db = response(DATA / "seminar-room.wav")
    lines = ["frequency_hz,magnitude_db"]
    lines += [f"{f:.4f},{level:.3f}" for f, level in zip(frequency_hz, level_db)]
    (DATA / "seminar-room.csv").write_text("\n".join(lines) + "\n")
