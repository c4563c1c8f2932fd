"""The service as a process: a scheduler in memory, signals, one instance, an end in stated time."""

from __future__ import annotations

import logging
import os
import signal
import threading
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

from healthtrack.errors import SettingsError
from healthtrack.schedule import following
from healthtrack.service.couriers import courier
from healthtrack.service.health import health_endpoint
from healthtrack.service.instance import only_instance
from healthtrack.service.journal import LOGGER, JsonLines, open_journal
from healthtrack.service.runner import Runner
from healthtrack.service.state import FOLDER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from datetime import datetime
    from pathlib import Path
    from types import FrameType

    from healthtrack.service.due import Plan

_log = logging.getLogger(LOGGER)

LONGEST_TICK_S = 10
"""Between two looks at what is due, whatever the scheduler says: a clock that jumped, or settings
that changed, are noticed within this time."""

HEARTBEAT_S = 5.0
LOG_FILE = "healthtrack.log"


class PlanTrigger(BaseTrigger):  # type: ignore[misc]
    """Fires at the moments of a plan's calendar; what is due is then asked of the ledger."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime | None:
        """Return the next moment after both."""
        after = now if previous is None else max(previous, now)
        return following(self._plan.calendar, self._plan.zone, after)


def build_scheduler(runner: Runner) -> BackgroundScheduler:
    """Return the scheduler, not started: one worker, so that nothing ever overlaps.

    It lives in memory and is rebuilt at each start; nothing that matters is kept in it.
    """
    scheduler = BackgroundScheduler(
        timezone="UTC",
        executors={"default": ThreadPoolExecutor(1)},
        # by default a job that is a second late is dropped
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
    )
    schedule_plans(scheduler, runner)
    return scheduler


def schedule_plans(scheduler: BackgroundScheduler, runner: Runner) -> None:
    """Put the runner's plans in, in the place of those that were there."""
    scheduler.remove_all_jobs()
    seconds = min(LONGEST_TICK_S, runner.workspace.settings.service.scan_seconds)
    scheduler.add_job(runner.tick, IntervalTrigger(seconds=seconds), id="tick")
    for plan in runner.plans:
        scheduler.add_job(runner.tick, PlanTrigger(plan), id=plan.job)


def serve(
    root: Path,
    clock: Callable[[], datetime],
    *,
    once: bool = False,
    beside: Callable[[Runner], AbstractContextManager[object]] | None = None,
) -> bool:
    """Run the service until SIGTERM or Ctrl-C; or do what is due once.

    Parameters
    ----------
    root : Path
        The workspace.
    clock : callable
        The time, UTC.
    once : bool
        Do what is due and return.
    beside : callable or None
        Gives what runs in the same process while the service does (the page).

    Returns
    -------
    bool
        Whether all is well.

    Raises
    ------
    HealthtrackError
        The settings cannot be used, or another service runs.
    """
    stop = threading.Event()
    runner = Runner(root, clock, courier, stop.is_set)
    with ExitStack() as stack:
        stack.enter_context(only_instance(root))
        stack.enter_context(_logging(root, runner))
        stack.enter_context(_signals(stop))
        if once:
            runner.tick()
        else:
            port = runner.workspace.settings.service.health_port
            if port:
                stack.enter_context(_endpoint(port, runner))
            if beside is not None:
                stack.enter_context(beside(runner))
            _run(runner, stop)
    return runner.status().is_well


@contextmanager
def _endpoint(port: int, runner: Runner) -> Iterator[None]:
    try:
        with health_endpoint(port, runner.status):
            yield
    except OSError as error:
        raise SettingsError(
            f"health_port = {port} cannot be used: {error.strerror}. Give another one under "
            "[service], or 0 for none."
        ) from None


def _run(runner: Runner, stop: threading.Event) -> None:
    scheduler = build_scheduler(runner)
    scheduler.start()
    scheduler.add_job(runner.tick, id="first")
    plans = runner.plans
    while not stop.wait(HEARTBEAT_S):
        runner.publish()
        if runner.plans is not plans:
            plans = runner.plans
            schedule_plans(scheduler, runner)
    allowed = runner.workspace.settings.service.stop_seconds
    _log.info("stopping", extra={"allowed_seconds": allowed})
    end = threading.Thread(target=scheduler.shutdown, name="shutdown", daemon=True)
    end.start()  # waits for the step under way
    end.join(timeout=allowed)
    runner.publish()
    if end.is_alive():
        # what is committed is safe, and what is not is done again: the same as a power cut
        _log.warning("the step under way took too long and is broken off")
        logging.shutdown()
        os._exit(0)
    _log.info("stopped")


@contextmanager
def _signals(stop: threading.Event) -> Iterator[None]:
    def told(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before: dict[signal.Signals, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for one in (signal.SIGTERM, signal.SIGINT):
            before[one] = signal.signal(one, told)
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


@contextmanager
def _logging(root: Path, runner: Runner) -> Iterator[None]:
    """Write the log to the workspace and to standard error, where systemd picks it up."""
    service = runner.workspace.settings.service
    stream = logging.StreamHandler()
    stream.setFormatter(JsonLines())
    handlers = [open_journal(root / FOLDER / LOG_FILE, service.log_mb, service.log_keep), stream]
    loggers = [logging.getLogger(name) for name in (LOGGER, "apscheduler")]
    before = [(logger.level, logger.propagate) for logger in loggers]
    for logger, level in zip(loggers, (logging.INFO, logging.WARNING), strict=True):
        logger.setLevel(level)
        logger.propagate = False
        for handler in handlers:
            logger.addHandler(handler)
    try:
        yield
    finally:
        for logger, (old, propagate) in zip(loggers, before, strict=True):
            logger.setLevel(old)
            logger.propagate = propagate
            for handler in handlers:
                logger.removeHandler(handler)
        for handler in handlers:
            handler.close()
