"""Compares our numbers with numpy's and scipy's: `python compare.py PROGRAM`.

PROGRAM is the built package `answers`. `cargo xtask reference` does all of it.
"""

import sys

import filters
import fits
import signals
import spectra
import tones
from checks import Checks
from ours import Ours

PARTS = (filters, spectra, signals, tones, fits)


def main():
    checks = Checks()
    with Ours(sys.argv[1]) as ours:
        for part in PARTS:
            part.check(ours, checks)
    print(f"{checks.passed} passed, {checks.failed} failed")
    sys.exit(checks.failed > 0)


if __name__ == "__main__":
    main()
