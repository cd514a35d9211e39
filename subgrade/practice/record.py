"""The guiding record as text, in a layout made up for practice nights."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

import numpy as np

from .guider import Guided, GuideSample
from .motion import Timeline
from .scenario import Scenario


def guide_scale(scenario: Scenario) -> float:
    """Arcseconds per pixel of the guide camera."""
    return 206.264806 * scenario.guider.pixel_um / scenario.guider.focal_mm


def record_text(scenario: Scenario, line: Timeline, guided: Guided) -> str:
    """Write what the guider measured and corrected.

    Times come from the recording computer's clock: the local zone's offset is
    not stated and the clock runs some seconds ahead.  Errors are the star's
    place less the reference position along RA (east positive) and Dec (north positive);
    corrections are signed the way the star is pushed.  A remark stands in its own
    row, timed, with the other cells empty.
    """
    unit = "arcsec" if scenario.record.unit == "arcsec" else "px"
    divisor = 1.0 if unit == "arcsec" else guide_scale(scenario)
    out = io.StringIO()
    writer = csv.writer(out, delimiter=scenario.record.separator, lineterminator="\n")
    guider = scenario.guider
    out.write("# Guiding record of a practice night\n")
    out.write(f"# Guide camera {guide_scale(scenario):.4f} arcsec per pixel, ")
    out.write(f"exposure {guider.exposure_s:g} s\n")
    out.write(f"# Target {scenario.target.name}, declination {scenario.target.dec_deg:+.2f} deg\n")
    writer.writerow(
        [
            {"datetime": "Local time", "time": "Clock", "seconds": "Elapsed (s)"}[
                scenario.record.clock
            ],
            "Remark",
            "Sample",
            f"RA error ({unit})",
            "RA correction (ms)",
            f"Dec error ({unit})",
            "Dec correction (ms)",
            "Guide star S/N",
            "Guide star brightness",
        ]
    )
    first = guided.samples[0].time
    for number, sample in enumerate(guided.samples, 1):
        stamp = _stamp(scenario, line, sample.time, first)
        for remark in sample.remarks:
            writer.writerow([stamp, remark] + [""] * 7)
        writer.writerow([stamp, "", number, *_cells(sample, divisor)])
    return out.getvalue()


def _cells(sample: GuideSample, divisor: float) -> list[str]:
    if not np.isfinite(sample.east):
        return ["", "", "", "", "", ""]
    return [
        f"{sample.east / divisor:.3f}",
        f"{sample.east_pulse_ms:.0f}",
        f"{sample.north / divisor:.3f}",
        f"{sample.north_pulse_ms:.0f}",
        f"{sample.snr:.1f}",
        f"{sample.brightness:.0f}",
    ]


def _stamp(scenario: Scenario, line: Timeline, time: float, first: float) -> str:
    record = scenario.record
    if record.clock == "seconds":
        return f"{time - first:.2f}"
    unix = line.origin_unix + time + 3600.0 * record.utc_offset_h + record.skew_s
    moment = datetime.fromtimestamp(round(unix, 2), UTC)
    text = moment.strftime("%H:%M:%S.") + f"{moment.microsecond // 10000:02d}"
    return text if record.clock == "time" else moment.strftime("%Y-%m-%d ") + text
