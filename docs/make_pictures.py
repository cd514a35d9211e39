"""Make the pictures of the documentation again.

Run from the repository, with subgrade installed: ``python docs/make_pictures.py``.
``pictures/grade.svg`` and ``pictures/explain.svg`` show what the commands print, taken from
a run on the demo subs; only the name of the temporary folder is replaced.
``pictures/conventions.svg`` is drawn from the package's own formulas.
"""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.text import Text

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.results.columns import position_angle_deg
from subgrade.stars.ellipse import (
    eccentricity_from_moments,
    ellipse_from_moments,
    moments_from_ellipse,
)

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"
COLUMNS, LINES = 100, 40


def printed(folder: Path, arguments: list[str]) -> str:
    """What a command prints on a terminal of `COLUMNS` by `LINES`, escape codes included."""
    size = {"COLUMNS": str(COLUMNS), "LINES": str(LINES)}
    terminal = {"FORCE_COLOR": "1", "TERM": "xterm-256color", **size}
    done = subprocess.run(
        [sys.executable, "-m", "subgrade", *arguments],
        cwd=folder,
        env={**os.environ, **terminal},
        stdout=subprocess.PIPE,
        encoding="utf-8",
        check=True,
    )
    return done.stdout.replace(str(folder), "~/night")


def terminal_picture(path: Path, command: str, output: str) -> None:
    """Save a command line and its output as an SVG that needs no network."""
    screen = Console(record=True, width=COLUMNS, file=open(os.devnull, "w"))  # noqa: SIM115
    screen.print(f"[bold green]$ [/]{command}", highlight=False)
    for line in Text.from_ansi(output).split("\n"):
        # a terminal breaks long lines at its edge
        for piece in line.divide(range(COLUMNS, len(line), COLUMNS)):
            screen.print(piece, no_wrap=True)
    screen.print()  # the last line's underscores need room below
    drawing = screen.export_svg(title=command, unique_id="subgrade")
    fonts = "Menlo, Consolas, 'DejaVu Sans Mono', monospace"
    drawing = re.sub(r"@font-face\s*{.*?}|<!--.*?-->", "", drawing, flags=re.DOTALL)
    drawing = re.sub(
        r"font-family: (Fira Code, monospace|arial);", f"font-family: {fonts};", drawing
    )
    path.write_text("\n".join(s.rstrip() for s in drawing.splitlines()) + "\n", encoding="utf-8")


def demo_pictures() -> None:
    """Grade the demo subs in a temporary folder and ask about one frame."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        (folder / "demo_subs").symlink_to(ROOT / "demo_subs", target_is_directory=True)
        for picture, command in (
            ("grade.svg", "grade demo_subs --guide demo_subs/guiding.csv"),
            ("explain.svg", "explain subgrade_results light_030"),
        ):
            output = printed(folder, command.split())
            terminal_picture(PICTURES / picture, f"subgrade {command}", output)


CELL = 46
WIDE, HIGH = 8, 7
STAR = (3.4, 2.8)
SIGMA = (1.5, 1.0)
ANGLE = 30.0
NORTH = -20.0
"""Direction of north, counter-clockwise from +y."""


def conventions_picture() -> None:
    """One star on its pixels, with the axes and angles that the columns use."""
    xx, yy, xy = moments_from_ellipse(*SIGMA, ANGLE)
    a, b, angle = ellipse_from_moments(xx, yy, xy)
    t = math.radians(NORTH)
    # seen with +y up, not mirrored, 1 arcsec a pixel: east a quarter turn from north
    axes = ((-math.cos(t), -math.sin(t)), (-math.sin(t), math.cos(t)))
    position = position_angle_deg(angle, axes)
    numbers = [
        f"fwhm_px = {FWHM_PER_SIGMA * math.sqrt(a * b):.2f}",
        f"eccentricity = {eccentricity_from_moments(xx, yy, xy):.2f}",
        f"angle_deg = {angle:.0f}",
        f"position_angle_deg = {position:.0f}",
    ]
    half = 0.5 * FWHM_PER_SIGMA
    on_pixels = _Panel(70, 60)
    on_pixels.pixels((xx, yy, xy))
    on_pixels.axes()
    on_pixels.ellipse(half * a, half * b, angle)
    on_pixels.ray(0.0, 3.4, "+x", "#888", dashed=True)
    on_pixels.ray(angle, 2.7, "long axis", "#c22")
    on_pixels.arc(0.0, angle, 2.2, f"{angle:.0f}°", "#c22")
    on_sky = _Panel(70 + WIDE * CELL + 90, 60)
    on_sky.pixels((xx, yy, xy))
    on_sky.ellipse(half * a, half * b, angle)
    on_sky.ray(90 + NORTH, 2.6, "north", "#06c")
    on_sky.ray(180 + NORTH, 2.6, "east", "#06c")
    on_sky.ray(angle + 180, 2.6, "long axis", "#c22")
    on_sky.arc(90 + NORTH, 90 + NORTH + position, 1.7, f"{position:.0f}°", "#06c")
    width, height = on_sky.left + WIDE * CELL + 30, 60 + HIGH * CELL + 110
    title = '<text x="{}" y="36" font-size="17" font-weight="bold">{}</text>'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" font-family="sans-serif" font-size="15">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        title.format(on_pixels.left, "In the frame: pixels and angle"),
        title.format(on_sky.left, "On the sky: position angle"),
        *on_pixels.lines,
        *on_sky.lines,
        f'<text x="{on_pixels.left}" y="{height - 20}" font-family="monospace">'
        f"{'   '.join(numbers)}</text>".replace("   ", "&#160;&#160;&#160;"),
        "</svg>",
    ]
    (PICTURES / "conventions.svg").write_text("\n".join(lines) + "\n", encoding="utf-8")


class _Panel:
    """A drawing of the pixel grid with +y up; lengths in pixels, angles in degrees."""

    def __init__(self, left: float, top: float):
        self.left, self.top, self.lines = left, top, []

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Place in the drawing of a place in the frame."""
        return self.left + (x + 0.5) * CELL, self.top + (HIGH - 0.5 - y) * CELL

    def pixels(self, moments) -> None:
        xx, yy, xy = moments
        for row in range(HIGH):
            for column in range(WIDE):
                dx, dy = column - STAR[0], row - STAR[1]
                r2 = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy)
                grey = round(245 - 150 * math.exp(-0.5 * r2))
                x, y = self.at(column - 0.5, row + 0.5)
                self.lines.append(
                    f'<rect x="{x:.1f}" y="{y:.1f}" width="{CELL}" height="{CELL}" '
                    f'fill="rgb({grey},{grey},{grey})" stroke="#bbb"/>'
                )
        x, y = self.at(*STAR)
        self.lines.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="#c22"/>')

    def axes(self) -> None:
        for column in range(WIDE):
            x, y = self.at(column, -0.5)
            self.lines.append(
                f'<text x="{x:.1f}" y="{y + 18:.1f}" text-anchor="middle">{column}</text>'
            )
        for row in range(HIGH):
            x, y = self.at(-0.5, row)
            self.lines.append(
                f'<text x="{x - 8:.1f}" y="{y + 5:.1f}" text-anchor="end">{row}</text>'
            )
        x, y = self.at(0.5 * (WIDE - 1), -0.5)
        self.lines.append(
            f'<text x="{x:.1f}" y="{y + 42:.1f}" text-anchor="middle">'
            "x: column, whole numbers at pixel centres →</text>"
        )
        x, y = self.at(-0.5, 0.5 * (HIGH - 1))
        self.lines.append(
            f'<text transform="translate({x - 36:.1f} {y:.1f}) rotate(-90)" text-anchor="middle">'
            "y: row, as stored in the file →</text>"
        )

    def ellipse(self, a: float, b: float, angle: float) -> None:
        x, y = self.at(*STAR)
        self.lines.append(
            f'<ellipse rx="{a * CELL:.1f}" ry="{b * CELL:.1f}" '
            f'transform="translate({x:.1f} {y:.1f}) rotate({-angle:.2f})" '
            'fill="none" stroke="#c22" stroke-width="2.5"/>'
        )

    def ray(self, angle: float, length: float, label: str, colour: str, dashed=False) -> None:
        t = math.radians(angle)
        c, s = math.cos(t), math.sin(t)
        x0, y0 = self.at(*STAR)
        x1, y1 = self.at(STAR[0] + length * c, STAR[1] + length * s)
        xt, yt = self.at(STAR[0] + (length + 0.2) * c, STAR[1] + (length + 0.3) * s)
        dash = ' stroke-dasharray="6 5"' if dashed else ""
        anchor = "start" if c > 0.3 else "end" if c < -0.3 else "middle"
        self.lines.append(
            f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" '
            f'stroke="{colour}" stroke-width="2"{dash}/>'
            f'<text x="{xt:.1f}" y="{yt + 5:.1f}" text-anchor="{anchor}" '
            f'fill="{colour}">{label}</text>'
        )

    def arc(self, start: float, end: float, radius: float, label: str, colour: str) -> None:
        places = [
            self.at(STAR[0] + radius * math.cos(t), STAR[1] + radius * math.sin(t))
            for t in (math.radians(start + (end - start) * k / 40) for k in range(41))
        ]
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
        t = math.radians(0.5 * (start + end))
        x, y = self.at(
            STAR[0] + (radius + 0.35) * math.cos(t), STAR[1] + (radius + 0.35) * math.sin(t)
        )
        self.lines.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"/>'
            f'<text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" fill="{colour}">{label}</text>'
        )


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    conventions_picture()
    demo_pictures()
