"""Our side of the comparison: a program that is asked over a pipe, one JSON document a line."""

import json
import subprocess

import numpy as np


class Ours:
    """The running program `answers`."""

    def __init__(self, program):
        self._process = subprocess.Popen(
            [program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
        )

    def ask(self, question, **details):
        """Asks one question and waits for its answer."""
        line = json.dumps({"ask": question, **{name: _plain(value) for name, value in details.items()}})
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        if not answer:
            raise RuntimeError(f"no answer to `{question}` (exit status {self._process.wait()})")
        return json.loads(answer)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._process.stdin.close()
        self._process.wait(timeout=60)


def complex_of(rows):
    """Complex numbers from their two rows."""
    return np.asarray(rows["re"]) + 1j * np.asarray(rows["im"])


def _plain(value):
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    return value
