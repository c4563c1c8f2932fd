import numpy as np
import pytest
from pypdf import PdfReader

from healthtrack.airpath.compressor import Reference
from healthtrack.airpath.compressor_map import CompressorMap, Line, SpeedLine
from healthtrack.report.pull_page import write_map_page, write_pull_page
from healthtrack.report.shown import ShownUnits


@pytest.fixture
def chart():
    """Return a map of three speed lines and one contour, on reference conditions of its own."""
    lines = tuple(
        SpeedLine(
            speed,
            np.linspace(0.02, 0.05 + 0.05 * place, 5),
            np.linspace(1.5, 1.3, 5) + 0.4 * place,
            np.full(5, 0.7),
        )
        for place, speed in enumerate((80e3, 110e3, 140e3))
    )
    edge = lambda at: Line(  # noqa: E731
        np.array([line.flow[at] + 1e-4 * n for n, line in enumerate(lines)]),
        np.array([line.ratio[at] for line in lines]),
    )
    angle = np.linspace(0, 2 * np.pi, 13)
    contour = Line(0.05 + 0.01 * np.cos(angle), 1.8 + 0.1 * np.sin(angle), 0.72)
    return CompressorMap(
        "map of a test", "tests", Reference(302.78, 96.18e3), lines, edge(0), edge(-1), (contour,)
    )


def words(path):
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


@pytest.mark.slow
def test_a_map_is_drawn_alone_with_its_lines_and_its_own_reference(chart, tmp_path):
    page = tmp_path / "maps" / "map.pdf"
    write_map_page(chart, page, ShownUnits(flow="lb/min"))
    told = words(page)
    for part in ("map of a test", "surge line", "choke line", "72 %", "302.8 K", "96.2 kPa"):
        assert part in told
    assert "lb/min" in told
    assert "140" in told


@pytest.mark.slow
def test_a_log_without_pulls_still_gives_a_page_that_says_so(tmp_path):
    page = tmp_path / "none.pdf"
    write_pull_page("Pulls in x", [], ["at noon: the engine was cold"], None, page)
    told = words(page)
    assert "No pull was found" in told
    assert "the engine was cold" in told
    assert "no certificate of roadworthiness" in told


def test_units_are_those_that_the_user_chose():
    shown = ShownUnits(flow="lb/min", pressure="psi")
    # 1 lb = 453.59237 g; 1 psi = 6.894757 kPa
    assert 1 / shown.per_gram == pytest.approx(453.59237 / 60)
    assert 1 / shown.per_kilopascal == pytest.approx(6.894757, rel=1e-6)
