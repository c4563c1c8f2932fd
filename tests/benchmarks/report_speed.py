"""How long a vehicle's report takes, against the same axes drawn with bare matplotlib.

Run with ``python tests/benchmarks/report_speed.py [rounds]``; it prints medians of both, taken in
turn in one process so that a busy machine slows both alike, and their ratio. Bare matplotlib draws
the four trends of the same finding as a user would: subplots with a shared axis, error bars, band,
line, limits, spans, titles and labels, saved as PDF with TrueType letters; and nothing else of what
the report holds.
"""

from __future__ import annotations

import importlib.util
import statistics
import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from healthtrack.report import write_vehicle_report

HERE = Path(__file__).resolve().parent


def findings():
    """Return the invented findings of the report's tests."""
    spec = importlib.util.spec_from_file_location(
        "report_conftest", HERE.parent / "report/conftest.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def bare(finding) -> bytes:
    """Draw the finding's trends with bare matplotlib."""
    buffer = BytesIO()
    with mpl.rc_context({"pdf.fonttype": 42}):
        figure = Figure(figsize=(8.27, 11.69))
        drawn = [item for item in finding.indicators if item.trend is not None]
        for axes, item in zip(figure.subplots(len(drawn), sharex=True), drawn, strict=True):
            frame = item.trend.frame
            x = frame["odometer_km"].to_numpy()
            axes.errorbar(
                x, frame["value"].to_numpy(), frame["se"].to_numpy(), fmt="o", ms=2, lw=0.5
            )
            axes.fill_between(
                x,
                frame["smoothed_low"].to_numpy(),
                frame["smoothed_high"].to_numpy(),
                alpha=0.3,
            )
            axes.plot(x, frame["smoothed"].to_numpy())
            axes.axhline(0.0, lw=0.5)
            axes.axhline(item.limit, ls="--")
            axes.axhline(item.threshold, ls=":")
            axes.axvspan(x[0], x[60], alpha=0.1)
            axes.grid(visible=True)
            axes.set_title(item.indicator)
            axes.set_ylabel(item.unit)
        axes.set_xlabel("odometer, km")
        figure.savefig(buffer, format="pdf")
    return buffer.getvalue()


def main(rounds: int) -> None:
    """Measure in turn and print."""
    module = findings()
    finding, vehicle = module.alarm(), module.settings_of("alarm")
    ours, theirs = [], []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.pdf"
        write_vehicle_report(finding, vehicle, path)
        bare(finding)
        for _ in range(rounds):
            start = time.process_time()
            write_vehicle_report(finding, vehicle, path)
            middle = time.process_time()
            bare(finding)
            theirs.append(time.process_time() - middle)
            ours.append(middle - start)
    a, b = statistics.median(ours), statistics.median(theirs)
    sys.stdout.write(
        f"report {1e3 * a:.0f} ms, bare axes {1e3 * b:.0f} ms (processor time, medians of "
        f"{rounds}), ratio {a / b:.2f}\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9)
