from __future__ import annotations

import re

import pytest

from healthtrack.advice import advise
from healthtrack.advice.advise import suspected
from healthtrack.advice.checks import load
from healthtrack.diagnosis import CAUSES
from healthtrack.records import CauseFinding, Diagnosis, NextObservation, NotObservable

EXCHANGE = re.compile(r"\b(renew|fit a new|exchange[ds]?|replace)\b", re.IGNORECASE)
EFFORTS = ("look", "listen", "clean", "measure", "swap")


def diagnosis(*shares: tuple[str, float], **more) -> Diagnosis:
    return Diagnosis(tuple(CauseFinding(cause, share) for cause, share in shares), **more)


def test_every_cause_and_the_unknown_have_checks():
    assert set(load().by_cause) == {*CAUSES, "unknown"}
    assert set(load().replace) == set(load().by_cause)


@pytest.mark.parametrize("cause", load().by_cause)
def test_checks_are_complete_and_their_cautions_exist(cause):
    checks = load()
    for check in checks.by_cause[cause]:
        assert check.effort in EFFORTS
        assert check.minutes > 0
        assert check.do
        assert check.tells
        assert set(check.cautions) <= set(checks.cautions)


@pytest.mark.parametrize("cause", CAUSES)
def test_looking_or_reading_comes_before_taking_apart(cause):
    # a key-on reading or a look comes first: nothing that takes longer than what follows at the end
    checks = load().by_cause[cause]
    assert checks[0].minutes <= checks[-1].minutes
    assert checks[0].effort in {"look", "listen", "measure"}
    assert checks[-1].effort != "look" or cause == "charge_temperature_offset"


@pytest.mark.parametrize("cause", [*CAUSES, "unknown"])
def test_no_exchange_is_named_before_a_check_that_could_clear_it(cause):
    said = advise(diagnosis((cause, 0.95), ("none", 0.01)))
    steps = [index for index, sentence in enumerate(said) if re.match(r"\d+\. ", sentence)]
    assert steps
    last = said.index(load().replace[cause])
    assert last > max(steps)
    for sentence in said[: max(steps)]:
        assert not EXCHANGE.search(sentence), sentence


def test_cautions_stand_before_the_work_they_go_with():
    said = advise(diagnosis(("charge_air_leak", 0.95)))
    cautions = load().cautions
    first_step = next(index for index, sentence in enumerate(said) if sentence.startswith("1. "))
    assert said.index(cautions["pressure"]) < first_step
    assert said.index(cautions["hot"]) < first_step
    assert cautions["workshop"] in said
    assert cautions["emissions"] not in said


def test_recirculation_is_never_touched_without_saying_what_it_is():
    assert load().cautions["emissions"] in advise(diagnosis(("egr_stuck_open", 0.9)))


def test_a_sound_vehicle_gets_no_advice():
    assert advise(diagnosis(("none", 0.9), ("charge_air_leak", 0.3))) == ()
    assert advise(Diagnosis(())) == ()


def test_what_is_improbable_is_not_checked():
    causes = diagnosis(("charge_air_leak", 0.9), ("turbocharger_weak", 0.05)).causes
    assert [item.cause for item in suspected(causes)] == ["charge_air_leak"]


def test_what_can_not_be_told_apart_is_said_with_what_would_tell_it():
    said = advise(
        diagnosis(
            ("charge_air_leak", 0.55),
            ("airflow_sensor_reads_high", 0.4),
            alike=(("charge_air_leak", "airflow_sensor_reads_high"),),
            next_observations=(NextObservation("smoke_test", "look for leaks with smoke", 0.6),),
        )
    )
    assert "can not tell apart" in said[0]
    assert "look for leaks with smoke" in said[1]
    assert "60 %" in said[1]


def test_a_settled_cause_needs_no_further_observation():
    looks = (NextObservation("smoke_test", "look for leaks with smoke", 0.6),)
    said = advise(diagnosis(("charge_air_leak", 0.97), next_observations=looks))
    assert not any("To be surer" in sentence for sentence in said)


def test_what_the_vehicle_can_not_show_is_said_last():
    missing = (NotObservable("intake_restriction", "a pressure sensor in the air box"),)
    said = advise(diagnosis(("charge_air_leak", 0.97)), missing)
    assert said[-1] == "To see intake restriction too, it takes a pressure sensor in the air box."


def test_nothing_is_asked_of_the_road_without_a_second_person():
    checks = load()
    for cause, steps in checks.by_cause.items():
        for step in steps:
            if "full load" in step.do or "full-load" in step.do:
                at_idle = cause == "charge_cooler_fouled" and "loose" in step.do
                assert "road" in step.cautions or at_idle, (cause, step.do)
