"""The worked example runs as it stands, and the tables that it names are those of the store."""

from __future__ import annotations

import re

import duckdb
import pytest

from healthtrack import indicators
from tests.bench.fleet import make_fleet

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("notebook")
    make_fleet(folder / "garage", seed=5, count=1)
    return folder


@pytest.fixture
def text(repository):
    return (repository / "docs" / "notebook.md").read_text(encoding="utf-8")


def test_the_worked_example_runs_as_it_stands_and_finds_the_fault(text, folder, monkeypatch):
    monkeypatch.chdir(folder)
    few = {name: indicators.ALL[name] for name in ("airflow", "breathing")}
    monkeypatch.setattr(indicators, "ALL", few)  # the others are followed in the same way
    names: dict[str, object] = {}
    for block in re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL):
        exec(compile(block, "docs/notebook.md", "exec"), names)
    assert names["table"].height == 2
    assert names["per_vehicle"].height == 1
    last = names["effect"].filter(indicator="airflow").tail(1)
    # the airflow sensor reads 6 % low in the end, and a percent of the sound value is a percent
    assert last["effect"].item() == pytest.approx(-6.0, abs=0.5)


def test_the_tables_for_sql_are_those_of_the_store(text, folder):
    part = text.partition("<!-- tables -->")[2].partition("<!-- end of tables -->")[0]
    rows = re.findall(r"^\| `(\w+)` \| [^|]+ \| ([^|]+) \|$", part, flags=re.MULTILINE)
    assert len(rows) > 8
    with duckdb.connect(str(folder / "garage" / "healthtrack.duckdb"), read_only=True) as store:
        for table, told in rows:
            known = {row[0] for row in store.sql(f'DESCRIBE "{table}"').fetchall()}
            assert {name for name in re.findall(r"`(\w+)`", told) if name != "_sd"} - {
                "_n",
                "window",
            } <= known, table
