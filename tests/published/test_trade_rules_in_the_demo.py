"""The trade's rules of thumb (common practice, no source), looked for in the demo's pulls."""

import numpy as np
import pytest

from healthtrack import config
from healthtrack.airpath.map_file import read_map
from healthtrack.ingest import load_pipelines, read_log
from healthtrack.operating.pull_reading import read_pull
from healthtrack.operating.pull_track import track
from healthtrack.operating.pulls import candidates, pull_grid, why_not

POUND_PER_MINUTE = 453.59237 / 60.0  # g/s


@pytest.fixture(scope="module")
def tracks(repository):
    """Return the top-gear pulls of the demo's 2.5-litre vehicle in its first sixteen logs."""
    demo = repository / "demo_history"
    logs = sorted((demo / "logs" / "marmot").glob("*"))[:16]
    if not logs:
        pytest.skip("demo_history has no logs of marmot: run demo_history/make.py")
    vehicle = config.load(demo).vehicles["marmot"]
    assert vehicle.displacement_l == 2.5
    pipelines = list(load_pipelines(repository / "pipelines").values())
    chart = read_map(demo / "compressor_map.toml")
    found = []
    for log in logs:
        samples = read_log(log, pipelines, "marmot", vehicle).samples
        for (drive,), rows in samples.group_by(["drive"], maintain_order=True):
            grid = pull_grid(str(drive), rows)
            for pull in candidates(grid):
                followed = track(grid, pull.first, pull.last, vehicle, chart)
                speed = followed.frame["engine_speed"]
                if why_not(grid, pull) is None and speed[-1] > 1.5 * speed[0]:
                    found.append((followed, chart))
    assert len(found) >= 3
    return found


@pytest.mark.slow
def test_at_a_pressure_ratio_of_1_28_a_2_5_litre_engine_flows_about_5_4_pounds_a_minute(tracks):
    early = []
    for followed, _ in tracks:
        ratio = followed.frame["pressure_ratio"].to_numpy()
        if ratio[0] < 1.28 < ratio.max():
            early.append(followed.frame["airflow"][int(np.argmax(ratio >= 1.28))])
    assert len(early) >= 3
    # "about": an engine's speed at that moment differs by a fifth from pull to pull
    assert np.median(early) / POUND_PER_MINUTE == pytest.approx(5.4, rel=0.2)


@pytest.mark.slow
def test_boost_is_held_near_a_pressure_ratio_of_2(tracks):
    held = [read_pull(followed, chart).held_ratio for followed, chart in tracks]
    assert np.median([ratio for ratio in held if ratio]) == pytest.approx(2.0, abs=0.15)


@pytest.mark.slow
def test_ten_horsepower_a_pound_is_above_what_a_diesels_fuel_gives_by_a_quarter_or_so(tracks):
    # a diesel at an air-fuel ratio near 20 gives 7 to 9 of the rule's 10 hp
    shares = [
        followed.frame["power_fuel"][-1] / followed.frame["power_airflow"][-1]
        for followed, _ in tracks
    ]
    assert np.median(shares) == pytest.approx(0.8, abs=0.12)


@pytest.mark.slow
def test_a_sound_engine_runs_inside_its_compressors_efficient_zone(tracks):
    readings = [read_pull(followed, chart) for followed, chart in tracks]
    assert np.median([reading.share_efficient for reading in readings]) > 0.8
    assert all(reading.surge.percent > 10 for reading in readings)
    assert all(reading.choke.percent > 10 for reading in readings)
