"""What the documents name exists, and what exists they name."""

from __future__ import annotations

import re
import shlex
import tomllib

import click
import pytest

from healthtrack.cli import main
from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.jobs.starting import settings_table

DOCUMENTS = ("README.md", "DEVELOPERS.md", "docs/notebook.md")


def _commands(group=main, before=""):
    found = {}
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            found |= _commands(command, f"{before}{name} ")
        else:
            found[f"{before}{name}"] = command
    return found


COMMANDS = _commands()
GLOBAL = {"--workspace", "--json", "--help", "--version"}


@pytest.fixture(params=DOCUMENTS)
def document(request, repository):
    return (repository / request.param).read_text(encoding="utf-8")


@pytest.fixture
def readme(repository):
    return (repository / "README.md").read_text(encoding="utf-8")


def _called(text):
    """Every `healthtrack …` in code, as words."""
    code = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    lines = [line for block in code for part in block.splitlines() for line in part.split("&&")]
    lines += re.findall(r"`([^`\n]*)`", text)
    for line in lines:
        found = re.match(r"\s*(?:\S*/)?healthtrack\s+([^#]*)", line)
        if found:
            yield shlex.split(found[1])


def _named(words):
    for length in (2, 1):
        name = " ".join(words[:length])
        if name in COMMANDS:
            return name, words[length:]
    return None, words


def test_every_command_in_the_documents_exists(document):
    for words in _called(document):
        name, rest = _named(words)
        group = words[0].split("/")[0] in main.commands or words[0].startswith("-")
        assert name or group, f"`healthtrack {' '.join(words)}` is no command"
        if name:
            options = {option for param in COMMANDS[name].params for option in param.opts} | GLOBAL
            used = {word for word in rest if word.startswith("--")}
            assert used <= options, f"`healthtrack {' '.join(words)}`: {used - options}"


def test_every_command_is_in_the_readme(readme):
    told = {_named(words)[0] for words in _called(readme)}
    assert set(COMMANDS) - told == set()


def test_every_option_is_in_the_readme(readme):
    for name, command in COMMANDS.items():
        for param in command.params:
            for option in param.opts:
                if option.startswith("--"):
                    assert option in readme, f"{name} {option} is not in README.md"


def test_every_file_that_the_documents_point_to_exists(document, repository):
    for target in re.findall(r"\]\(([^)#]+)\)", document):
        if "://" not in target:
            assert (repository / target).exists(), target


def test_the_picture_of_a_report_page_is_a_picture(repository):
    picture = repository / "reports" / "sample-page-1.png"
    assert picture.read_bytes().startswith(b"\x89PNG\r\n")


def test_every_kind_of_maintenance_in_the_readme_exists(readme):
    used = re.findall(r"maintenance add \w+ (\w+) --on", readme)
    assert used
    assert set(used) <= set(MAINTENANCE_KINDS)


def test_the_documents_name_only_settings_that_exist(document, repository):
    from healthtrack.config import (
        AlertSettings,
        BaselineSettings,
        VehicleSettings,
        WorkspaceSettings,
    )

    known = {
        *(
            name
            for model in (WorkspaceSettings, AlertSettings, BaselineSettings, VehicleSettings)
            for name in model.model_fields
        )
    }
    for name in re.findall(
        r"`(?:\w+\.)?(baseline_\w+|false_\w+|store_\w+|displacement_\w+)`", document
    ):
        assert name in known


def test_ci_runs_the_very_test_command_of_the_readme(readme, repository):
    (command,) = re.findall(r"<!-- test command -->\n```sh\n(.+)\n```", readme)
    assert command.split(" && ")[-1].startswith(".venv/bin/pytest")
    script = (repository / ".ci" / "run").read_text()
    assert "<!-- test command -->" in script
    assert "-c .ci/constraints.txt" not in script  # it has no command of its own


def test_the_constraints_name_exact_versions_of_every_dependency_and_no_registry(repository):
    lines = [
        line
        for line in (repository / ".ci" / "constraints.txt").read_text().splitlines()
        if line and not line.startswith("#")
    ]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line) for line in lines)
    pinned = {re.sub(r"[-_.]+", "-", line.split("==")[0]).lower() for line in lines}
    project = tomllib.loads((repository / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    needed = [*project["dependencies"], *extras["test"], *extras["dev"]]
    names = {re.sub(r"[-_.]+", "-", re.split(r"[\[<>=~! ;]", need)[0]).lower() for need in needed}
    assert names - {"healthtrack"} <= pinned


def test_the_settings_table_of_the_readme_is_that_of_the_declarations(readme):
    # to write it anew: print healthtrack.jobs.starting.settings_table() between the two marks
    _, _, rest = readme.partition("<!-- settings table -->\n")
    table, mark, _ = rest.partition("<!-- end of settings table -->")
    assert mark
    assert table == settings_table()
