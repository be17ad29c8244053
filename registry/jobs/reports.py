"""Printed reports in the background: ask for one, and the tasks that make them."""

import logging

from celery import Task, shared_task
from kombu.exceptions import OperationalError

from registry.models import PoolingRun, Release
from registry.permissions import Actor
from registry.services import reports
from registry.services.reports import ReportFile

log = logging.getLogger(__name__)

SOFT_LIMIT_SECONDS = 300


def release_report(release: Release) -> ReportFile:
    """The report of a release; when it is not made yet, the workers are asked for it."""
    return _asked_for(reports.report_of_release(release), make_release_report, release.pk)


def run_report(run: PoolingRun, *, by: Actor) -> ReportFile:
    """The same of a finished run."""
    return _asked_for(reports.report_of_run(run, by=by), make_run_report, run.pk)


def _asked_for(report: ReportFile, task: Task, number: int) -> ReportFile:
    if report.is_made() or not report.should_ask():
        return report
    try:
        task.delay(number)
    except (OperationalError, OSError) as problem:
        log.warning("The broker did not take the report %s: %s", report.path.name, problem)
    else:
        report.mark_asked()
    return report


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def make_release_report(release_id: int) -> None:
    reports.make_release_report(release_id)


@shared_task(soft_time_limit=SOFT_LIMIT_SECONDS)
def make_run_report(run_id: int) -> None:
    reports.make_run_report(run_id)
