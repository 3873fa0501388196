"""What the program's commands take from start to end, and how that grows with a recording: `python commands.py PROGRAM`.

Writes a table into `docs/performance.md` and the plot beside it. Nothing passes or fails by it. `cargo xtask reference
--commands` builds the program and runs this.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from growth import plot
from speed import PAGE, between, machine

RATE = 48_000
TURNS = 3


def run(program, arguments, folder):
    """Seconds of processor and megabytes of memory that one command takes.

    The most memory is asked of the running process: what the system says at its end counts this process too, from which
    it was forked.
    """
    with tempfile.TemporaryFile() as complaint:
        process = subprocess.Popen(
            [program, *map(str, arguments)], cwd=folder, stdout=subprocess.DEVNULL, stderr=complaint
        )
        most_kb = 0
        while os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT | os.WNOHANG) is None:
            most_kb = max(most_kb, held_kb(process.pid, program))
            time.sleep(0.002)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        # 1 is an answer: an audit that found something.
        if process.returncode not in (0, 1):
            complaint.seek(0)
            raise RuntimeError(f"{' '.join(map(str, arguments))}: {complaint.read().decode()}")
    return usage.ru_utime + usage.ru_stime, most_kb / 1_024


def held_kb(pid, program):
    """The most that a process has held so far; nothing before it has become the program, and after its end."""
    try:
        if os.readlink(f"/proc/{pid}/exe") != program:
            return 0
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except OSError:
        return 0
    return max((int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM:")), default=0)


def recording(path, seconds, tracks=(), channels=1):
    """Quiet noise with tracks in it, one every 110 s from the second second on, in 16 bits, written piece by piece."""
    noise = np.random.default_rng(5)
    piece = noise.standard_normal(60 * RATE) * 30
    samples = np.tile(piece, int(np.ceil(seconds / 60)))[: int(seconds * RATE)].astype(np.int16)
    for index, track in enumerate(tracks):
        first = (2 + 110 * index) * RATE
        samples[first : first + len(track)] += (track * 0.3).astype(np.int16)
    wavfile.write(path, RATE, np.repeat(samples[:, None], channels, axis=1) if channels > 1 else samples)


def commands(program, folder):
    """The program's own commands, from start to end."""
    run(program, ["tracks", "tracks", "--rate", RATE, "--bits", 16], folder)
    track = {name: wavfile.read(folder / f"tracks/{name}.wav")[1] for name in ("sweep-full", "pink", "sweep-mid")}
    track = {name: samples if samples.ndim == 1 else samples[:, 0] for name, samples in track.items()}
    stimulus = ["--stimulus", "tracks/tracks.json", "--track"]
    recording(folder / "sweep.wav", 31, [track["sweep-full"]])
    recording(folder / "minute.wav", 60)
    recording(folder / "two.wav", 60, channels=2)
    recording(folder / "drive.wav", 600, [track["sweep-mid"]] * 5)
    run(program, ["measure", "sweep", "--simulated", "--job", "job"], folder)
    for index in range(4):
        curve = [(hz, 6 * np.sin(index + 3 * np.log(hz)) + 3 * np.sin(9 * np.log(hz))) for hz in np.geomspace(20, 2e4, 480)]
        text = "\n".join(f"{hz:.3f},{db:.3f}" for hz, db in curve)
        (folder / f"seat-{index}.csv").write_text(f"frequency_hz,magnitude_db\n{text}\n")
    seats = [f"seat-{index}.csv" for index in range(4)]
    work = (
        ("`analyze sweep`, 31 s", ["analyze", "sweep", "sweep.wav", *stimulus, "sweep-full"]),
        ("`analyze spectrum`, 60 s", ["analyze", "spectrum", "minute.wav"]),
        ("`analyze level`, 60 s", ["analyze", "level", "minute.wav"]),
        ("`analyze noise`, 60 s", ["analyze", "noise", "minute.wav"]),
        ("`analyze transfer`, 60 s", ["analyze", "transfer", "two.wav", "--channel", 2, "--reference-channel", 1]),
        ("`job import`, ten minutes with five sweeps", ["job", "import", "imported", "drive.wav", "--again"]),
        ("`fit` to four responses", ["fit", *seats, "--out", "bands.csv"]),
        ("`audit` of ten bands, nothing entered", ["audit", "--before", seats[0], "--after", seats[1], "--bands", "bands.csv"]),
        ("`sheet`, HTML", ["sheet", "demo", "--format", "html", "--out", "sheet.html"]),
        ("`report`, HTML", ["report", "demo", "--out", "report.html"]),
        ("`--version`", ["--version"]),
    )
    lines = [f"| `demo`, the whole job on the simulated car | {row(program, ['demo', '--out', 'demo'], folder, 1)} |"]
    lines += [f"| {title} | {row(program, arguments, folder, TURNS)} |" for title, arguments in work]
    return "\n".join(lines)


def row(program, arguments, folder, turns):
    taken = [run(program, arguments, folder) for _ in range(turns)]
    print(" ".join(map(str, arguments)), taken)
    return f"{1e3 * min(cpu for cpu, _ in taken):.0f} | {max(mb for _, mb in taken):.0f}"


MINUTES = (1, 5, 10, 20, 60)


def growth(program, folder):
    """How time and memory grow with a stereo recording's length."""
    sweep = wavfile.read(folder / "tracks/sweep-mid.wav")[1]
    sweep = sweep if sweep.ndim == 1 else sweep[:, 0]
    stimulus = ["--stimulus", "tracks/tracks.json", "--track", "sweep-mid"]
    found = {"level": [], "spectrum": [], "sweep": [], "import": []}
    for minutes in MINUTES:
        path = folder / "long.wav"
        recording(path, 60 * minutes, [sweep] * max(1, minutes // 2), channels=2)
        found["level"].append(run(program, ["analyze", "level", path], folder))
        found["spectrum"].append(run(program, ["analyze", "spectrum", path], folder))
        found["sweep"].append(run(program, ["analyze", "sweep", path, *stimulus], folder))
        found["import"].append(run(program, ["job", "import", f"import-{minutes}", path], folder))
        path.unlink()
        print(minutes, {name: values[-1] for name, values in found.items()})
    (PAGE.parent / "performance.svg").write_text(plot(MINUTES, found), encoding="utf-8")
    head = " | ".join(f"{minutes} min" for minutes in MINUTES)
    lines = [f"| s of a processor / MB | {head} |", "| --- |" + " ---: |" * len(MINUTES)]
    for name, values in found.items():
        lines.append(f"| `{name}` | " + " | ".join(f"{cpu:.2f} / {mb:.0f}" for cpu, mb in values) + " |")
    return "\n".join(lines)


def main():
    program = str(Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole = commands(program, folder)
        long = growth(program, folder)
    between(
        "cargo xtask reference --commands",
        f"""{machine()}

| command | ms of a processor | peak memory, MB |
| --- | ---: | ---: |
{whole}

Stereo recordings of rising length, with a track in every second minute:

![time and memory against the length of a recording](performance.svg)

{long}""",
    )


if __name__ == "__main__":
    main()
