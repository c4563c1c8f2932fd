from __future__ import annotations

import pytest

from healthtrack import ingest
from healthtrack.errors import SettingsError

GOOD = """
identify = ["t", "n"]
[time]
columns = ["t"]
form = "timestamp"
[channels.engine_speed]
column = "n"
unit = "1/min"
"""


def test_the_shipped_pipelines_load_and_each_says_what_it_is_for():
    shipped = ingest.load_pipelines(ingest.template_folder())
    assert set(shipped) >= {
        "round_robin_csv",
        "comma_iso",
        "semicolon_german",
        "blanks_elapsed",
    }
    for name, pipeline in shipped.items():
        assert pipeline.name == name
        assert pipeline.about


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("engine_speed", "enginespeed", "'enginespeed' is no channel"),
        ("1/min", "furlong", "no unit that is known"),
        ('form = "timestamp"', 'form = "moon"', "time.form"),
        ('form = "timestamp"', 'form = "elapsed"', "start_from and start_search"),
        ('form = "timestamp"', 'form = "timestamp"\nzone = "Mars"', "'Mars' is no time zone"),
        ('form = "timestamp"', 'form = "timestamp"\nstart_search = "("', "not a regular"),
        ('form = "timestamp"', 'form = "timestamp"\nstart_search = "a"', "parentheses"),
        ('columns = ["t"]', "columns = []", "time.columns"),
        ('column = "n"', 'kolumn = "n"', "channels.engine_speed.kolumn: no such setting"),
        ('column = "n"', "", "channels.engine_speed.column: this setting is needed"),
        ("[channels", '[odometer]\nname_search = "(a)"\nunit = "kg/h"\n[channels', "no length"),
        ("identify", "[file]\ndecimal = ','\n[x]\nidentify", "also the thousands mark or"),
        ("identify =", "identify ==", "not valid TOML"),
    ],
)
def test_a_pipeline_that_cannot_be_used_names_the_setting(old, new, words):
    with pytest.raises(SettingsError) as caught:
        ingest.parse_pipeline(GOOD.replace(old, new), "own.toml")
    assert words in str(caught.value)
    assert "own.toml" in str(caught.value)


def test_all_faults_are_told_at_once():
    text = GOOD.replace("1/min", "furlong").replace("timestamp", "moon")
    with pytest.raises(SettingsError) as caught:
        ingest.parse_pipeline(text, "own.toml")
    assert "furlong" in str(caught.value)
    assert "moon" in str(caught.value)


def test_a_folder_without_pipelines_says_so(tmp_path):
    with pytest.raises(SettingsError, match="holds no pipeline"):
        ingest.load_pipelines(tmp_path)


def test_a_pipeline_goes_by_its_file_s_name(tmp_path):
    (tmp_path / "own.toml").write_text(GOOD, encoding="utf-8")
    assert ingest.load_pipelines(tmp_path)["own"].name == "own"
