"""Ten pieces of a drive weigh as much as the whole."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from healthtrack.ingest.joining import drive_names, joined
from healthtrack.records import VehicleHistory

START = datetime(2024, 3, 1, 6, 0, tzinfo=UTC)


def drive(name, begin, end, **more):
    row = {
        "drive": name,
        "vehicle": "otter",
        "log": f"{name}.csv",
        "started": START + timedelta(seconds=begin),
        "ended": START + timedelta(seconds=end),
        "odometer_km": None,
        "distance_km": (end - begin) / 60,
    }
    return row | more


def history(drives, windows):
    frame = pl.DataFrame(
        drives, schema_overrides={"odometer_km": pl.Float64, "distance_km": pl.Float64}
    )
    return VehicleHistory("otter", frame, pl.DataFrame(windows))


def window(name, second, standing=None):
    return {"drive": name, "t": START + timedelta(seconds=second), "standing_pressure": standing}


def test_pieces_of_one_drive_are_one_drive_with_all_its_windows():
    pieces = [drive("a", 0, 600, odometer_km=10.0), drive("b", 602, 1200, odometer_km=20.0)]
    got = joined(
        history(
            [*pieces, drive("c", 5000, 5600)],
            [window("a", 5, 97.0), window("b", 700), window("c", 5100)],
        )
    )
    assert got.drives["drive"].to_list() == ["a", "c"]
    first = got.drives.row(0, named=True)
    assert first["ended"] == pieces[1]["ended"]
    assert first["odometer_km"] == 20.0
    assert first["distance_km"] == pytest.approx(600 / 60 + 598 / 60)
    assert got.windows["drive"].to_list() == ["a", "a", "c"]
    # what the engine's standstill at the beginning showed holds for the whole drive
    assert got.windows["standing_pressure"].to_list() == [97.0, 97.0, None]


def test_a_stop_of_more_than_a_minute_ends_a_drive():
    two = history([drive("a", 0, 600), drive("b", 661, 1200)], [window("a", 5), window("b", 700)])
    assert joined(two) is two


def test_an_empty_history_stays_empty():
    empty = VehicleHistory("otter", history([drive("a", 0, 1)], []).drives.clear(), pl.DataFrame())
    assert joined(empty) is empty


@given(
    edges=st.lists(st.integers(1, 3599), min_size=1, max_size=9, unique=True),
    pause=st.integers(0, 60),
)
def test_however_a_drive_is_cut_its_pieces_make_it_whole(edges, pause):
    cuts = [0, *sorted(edges), 3600]
    pieces = [
        drive(f"{begin:04d}", begin + at * pause, end + at * pause)
        for at, (begin, end) in enumerate(pairwise(cuts))
    ]
    frame = pl.DataFrame(pieces, schema_overrides={"odometer_km": pl.Float64})
    assert set(drive_names(frame.sample(fraction=1.0, shuffle=True, seed=3)).values()) == {"0000"}
    whole = joined(history(pieces, [window(piece["drive"], 1) for piece in pieces]))
    assert whole.drives.height == 1
    assert whole.drives["distance_km"].item() == pytest.approx(60.0)
    assert set(whole.windows["drive"]) == {"0000"}
