"""A plot of how time and memory grow, as SVG, without a library for it."""

import math

COLOURS = {"level": "#0072b2", "spectrum": "#009e73", "sweep": "#d55e00", "import": "#7b4fa6"}
WIDTH, HEIGHT, LEFT, TOP = 340, 250, 60, 40


def panel(x0, title, minutes, series, unit, bar=None):
    """One plot with logarithmic axes; `bar` is a line that nothing may pass."""
    values = [value for row in series.values() for value in row] + ([bar] if bar else [])
    low, high = math.floor(math.log10(min(values))), math.ceil(math.log10(max(values)))
    across = lambda minute: x0 + LEFT + WIDTH * math.log(minute / minutes[0]) / math.log(minutes[-1] / minutes[0])
    up = lambda value: TOP + HEIGHT * (1 - (math.log10(value) - low) / (high - low))
    out = [f'<text x="{x0 + LEFT}" y="{TOP - 16}" font-weight="bold">{title}</text>']
    for power in range(low, high + 1):
        y = up(10**power)
        out.append(f'<path d="M{x0 + LEFT} {y:.1f}h{WIDTH}" stroke="#ddd"/>')
        out.append(f'<text x="{x0 + LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{10.0**power:g} {unit}</text>')
    for minute in minutes:
        out.append(f'<text x="{across(minute):.1f}" y="{TOP + HEIGHT + 18}" text-anchor="middle">{minute} min</text>')
    if bar:
        out.append(f'<path d="M{x0 + LEFT} {up(bar):.1f}h{WIDTH}" stroke="#b00" stroke-dasharray="6 4"/>')
    for name, row in series.items():
        points = " ".join(f"{across(minute):.1f},{up(value):.1f}" for minute, value in zip(minutes, row))
        out.append(f'<polyline points="{points}" fill="none" stroke="{COLOURS[name]}" stroke-width="2"/>')
    return out


def plot(minutes, found):
    """Two panels, processor time and peak memory; `found` holds pairs of both for each command."""
    times = {name: [cpu for cpu, _ in row] for name, row in found.items()}
    memory = {name: [mb for _, mb in row] for name, row in found.items()}
    whole = 2 * (WIDTH + LEFT) + 30
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {whole} {HEIGHT + 110}" font-family="sans-serif" font-size="12">',
        f'<rect width="{whole}" height="{HEIGHT + 110}" fill="#fff"/>',
        *panel(0, "seconds of a processor", minutes, times, "s"),
        *panel(WIDTH + LEFT + 10, "peak memory (dashed: the bar of 300 MB)", minutes, memory, "MB", 300),
    ]
    for index, (name, colour) in enumerate(COLOURS.items()):
        x, y = LEFT + 120 * index, TOP + HEIGHT + 48
        out.append(f'<path d="M{x} {y - 4}h24" stroke="{colour}" stroke-width="2"/><text x="{x + 30}" y="{y}">{name}</text>')
    return "\n".join([*out, "</svg>"]) + "\n"
