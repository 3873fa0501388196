"""What every comparison uses: it notes the worst difference and judges it by a stated tolerance."""

import numpy as np


class Checks:
    """The comparisons made so far."""

    def __init__(self):
        self.passed = 0
        self.failed = 0

    def near(self, what, got, wanted, tolerance):
        """Compares two arrays of one shape by their greatest difference.

        A number that is not finite on our side never passes.
        """
        got, wanted = np.asarray(got), np.asarray(wanted)
        if got.shape != wanted.shape or got.size == 0:
            return self._note(what, False, f"shapes {got.shape} and {wanted.shape}")
        difference = np.abs(got - wanted)
        worst = float(np.max(difference))
        good = bool(np.all(np.isfinite(difference))) and worst <= tolerance
        self._note(what, good, f"off by {worst:.3g} at most, allowed {tolerance:.3g}, {got.size} values")

    def at_most(self, what, got, limit):
        """Compares one number with the greatest that is allowed."""
        self._note(what, bool(np.isfinite(got)) and got <= limit, f"{got:.4g}, allowed {limit:.4g}")

    def _note(self, what, good, detail):
        self.passed += good
        self.failed += not good
        print(f"{'ok    ' if good else 'FAILED'} {what}: {detail}")


def db(amplitude):
    """Decibels of an amplitude ratio."""
    return 20.0 * np.log10(np.abs(amplitude))
