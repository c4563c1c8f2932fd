import pytest

from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError

HEAD = """
name = "analytic"
source = "tests"
points = "points.csv"
reference_temperature_k = 298.15
reference_pressure_kpa = 100.0
flow_unit = "kg/s"
"""
HEADER = "kind,line,corrected_flow,pressure_ratio,efficiency,shaft_speed"


@pytest.fixture
def rows(compressor):
    """Return the lines of the analytic map's CSV, without the header."""
    return [
        f"speed_line,{line.speed / 1e3:.0f}k,{flow:.6f},{ratio:.5f},{eta:.5f},{line.speed:.0f}"
        for line in compressor.map().speed_lines
        for flow, ratio, eta in zip(line.flow, line.ratio, line.efficiency, strict=True)
    ]


@pytest.fixture
def write(tmp_path):
    def write(rows, head=HEAD, header=HEADER):
        (tmp_path / "points.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        path = tmp_path / "map.toml"
        path.write_text(head, encoding="utf-8")
        return path

    return write


def test_a_map_is_read_as_it_was_written(write, rows, compressor):
    chart, truth = read_map(write(rows)), compressor.map()
    speeds = [line.speed for line in truth.speed_lines]
    assert [line.speed for line in chart.speed_lines] == pytest.approx(speeds)
    assert chart.speed_lines[2].flow == pytest.approx(truth.speed_lines[2].flow, abs=1e-6)
    assert chart.surge.flow == pytest.approx(truth.surge.flow, abs=1e-6)
    assert chart.reference == truth.reference


def test_pounds_and_thousands_are_converted(write, rows, compressor):
    pounds = 60 / 0.45359237
    changed = []
    for row in rows:
        kind, name, flow, ratio, eta, speed = row.split(",")
        changed.append(
            f"{kind},{name},{float(flow) * pounds:.6f},{ratio},{eta},{float(speed) / 1e3}"
        )
    head = HEAD.replace('"kg/s"', '"lb/min"\nspeed_unit = "krpm"')
    chart = read_map(write(changed, head))
    assert chart.choke.flow == pytest.approx(compressor.map().choke.flow, abs=1e-6)
    assert chart.speed_lines[0].speed == pytest.approx(compressor.map().speed_lines[0].speed)


def test_reference_conditions_have_no_default(write, rows):
    head = HEAD.replace("reference_temperature_k = 298.15\n", "")
    with pytest.raises(MapError, match=r"reference_temperature_k[\s\S]*3 to 8 %"):
        read_map(write(rows, head))


def contour(rows):
    return [*rows, *(f"efficiency,0.74,{f},{r},0.74," for f, r in CIRCLE)]


CIRCLE = [(0.07, 1.5), (0.08, 1.6), (0.07, 1.7), (0.06, 1.6), (0.07, 1.5)]


def test_contours_are_read_and_need_not_be_asked_for(write, rows):
    assert read_map(write(contour(rows))).contours[0].level == 0.74


def test_a_contour_may_end_at_the_maps_edge(write, rows, compressor):
    line = compressor.map().speed_lines[-1]
    ends = [(line.flow[2], line.ratio[2]), (line.flow[6], line.ratio[6])]
    arc = [ends[0], (0.08, 2.0), (0.10, 2.0), ends[1]]
    chart = read_map(write([*rows, *(f"efficiency,0.7,{f},{r},0.70," for f, r in arc)]))
    assert chart.contours[0].flow.size == 4
    short = [(f * 0.9, r * 0.9) for f, r in arc]
    with pytest.raises(MapError, match="not closed"):
        read_map(write([*rows, *(f"efficiency,0.7,{f},{r},0.70," for f, r in short)]))


FAULTS = {
    "flow must rise": lambda rows: [rows[1], rows[0], *rows[2:]],
    "out of order": lambda rows: [
        row.replace(",72000", ",999000") if row.endswith(",72000") else row for row in rows
    ],
    "efficiency must lie between": lambda rows: [
        rows[0].replace(rows[0].split(",")[4], "71.0"),
        *rows[1:],
    ],
    "is not closed": lambda rows: contour(rows)[:-1],
    "not left of the choke line": lambda rows: [
        *rows,
        "surge,s,0.150,1.3,,",
        "surge,s,0.170,3.0,,",
    ],
    "must rise in both": lambda rows: [*rows, "surge,s,0.02,1.3,,", "surge,s,0.01,2.0,,"],
    "is none of speed_line": lambda rows: [*rows, "isobar,x,0.1,2.0,,"],
    "line 3: could not convert": lambda rows: [rows[0], "speed_line,x,abc,2,,1", *rows[2:]],
    "flow must be over 0": lambda rows: [*rows, "choke,c,-0.1,2.0,,"],
    "same shaft speed": lambda rows: [rows[0].replace(",72000", ",72001"), *rows[1:]],
    "all its points or of none": lambda rows: [
        ",".join([*rows[0].split(",")[:4], "", rows[0].split(",")[5]]),
        *rows[1:],
    ],
    "at least 4": lambda rows: [rows[0], *rows[9:]],
}


@pytest.mark.parametrize("fault", list(FAULTS))
def test_a_faulty_map_is_refused_with_its_fault(write, rows, fault):
    with pytest.raises(MapError, match=fault):
        read_map(write(FAULTS[fault](rows)))


def test_a_map_that_is_not_there_or_lacks_a_column_says_so(write, rows, tmp_path):
    with pytest.raises(MapError, match="cannot be read"):
        read_map(tmp_path / "none.toml")
    with pytest.raises(MapError, match="no column shaft_speed"):
        read_map(write(rows, header=HEADER.replace("shaft_speed", "rpm")))


def test_points_can_not_be_fetched_from_elsewhere(write, rows):
    head = HEAD.replace('"points.csv"', '"../points.csv"')
    with pytest.raises(MapError, match="beside it"):
        read_map(write(rows, head))
