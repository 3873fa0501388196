"""What both measurements of speed share: the page that they write into, and the machine they ran on."""

import platform
from pathlib import Path

import numpy as np
import scipy

PAGE = Path(__file__).resolve().parents[2] / "docs" / "performance.md"
END = "<!-- end of what is written -->"


def processor():
    """What the processor calls itself."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
        return next(line.split(":", 1)[1].strip() for line in text.splitlines() if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.processor() or "an unknown processor"


def machine():
    """The sentence under which numbers stand."""
    return (
        f"Taken on {processor()}, {platform.system()} {platform.machine()}, Python {platform.python_version()},\n"
        f"numpy {np.__version__}, scipy {scipy.__version__}."
    )


def between(command, text):
    """Puts a text between the marks that name the command which writes it."""
    begin = f"<!-- written by {command} -->"
    page = PAGE.read_text(encoding="utf-8")
    before, rest = page.split(begin, 1)
    _, after = rest.split(END, 1)
    PAGE.write_text(f"{before}{begin}\n\n{text}\n\n{END}{after}", encoding="utf-8")
    print(f"written to {PAGE.name}")
