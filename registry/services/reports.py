"""Printed reports of releases and runs: made by the workers, kept as files, made again when lost.

The file is the answer; beside it stand a mark while it is asked for, and the reason when it could
not be made. Both grow old, so that a worker that died or a fault that was mended is tried again.
"""

import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version as installed_version
from pathlib import Path

from django.conf import settings

from registry.errors import ReportNotMade, ReportOfOtherData
from registry.models import PoolingRun, Release, RunState
from registry.packages.derived import with_derived_columns
from registry.packages.meta import LICENCES
from registry.packages.stored import package_path
from registry.permissions import Actor, Capability, demand
from registry.queries import pooling_input
from registry.queries.estimate_records import estimate_records
from registry.queries.release_tables import release_tables
from registry.reports.facts import ReportFacts, facts_of_release
from registry.reports.report import report_pdf

# Raise it when a report changes, so that none is served in its former shape.
REPORT_VERSION = 1
ASK_AGAIN_AFTER_S = 60.0
TRY_AGAIN_AFTER_S = 600.0


@dataclass(frozen=True, slots=True)
class ReportFile:
    """Where a report lies, or will."""

    path: Path

    @property
    def asked(self) -> Path:
        return self.path.with_suffix(".asked")

    @property
    def refused(self) -> Path:
        return self.path.with_suffix(".refused")

    def is_made(self) -> bool:
        return self.path.is_file()

    def should_ask(self) -> bool:
        """Whether nobody was asked lately. Raises ReportNotMade when it lately failed."""
        if _age_s(self.refused) < TRY_AGAIN_AFTER_S:
            raise ReportNotMade(self.refused.read_text() or "The workers could not make it.")
        return _age_s(self.asked) > ASK_AGAIN_AFTER_S

    def mark_asked(self) -> None:
        _write(self.asked, b"")


def report_of_release(release: Release) -> ReportFile:
    """The report of a release the reader may see. Raises NotFound without its package."""
    name = package_path(release).stem
    return ReportFile(Path(settings.REPORTS_DIR) / f"{name}-report-{REPORT_VERSION}.pdf")


def report_of_run(run: PoolingRun, *, by: Actor) -> ReportFile:
    """The report of a finished run, for the trial's coordinators.

    Raises ReportOfOtherData when it is not finished, or when data changed and none was made before.
    """
    demand(by, Capability.READ_TRIAL, trial=run.trial)
    name = f"{run.trial.code.lower()}-run-{run.pk}-report-{REPORT_VERSION}.pdf"
    report = ReportFile(Path(settings.REPORTS_DIR) / name)
    if not report.is_made():
        _demand_present(run)
    return report


def make_release_report(release_id: int) -> None:
    release = Release.objects.get(pk=release_id)
    _make(report_of_release(release), lambda: facts_of_release(package_path(release)))


def make_run_report(run_id: int) -> None:
    run = PoolingRun.objects.select_related("trial").get(pk=run_id)
    name = f"{run.trial.code.lower()}-run-{run.pk}-report-{REPORT_VERSION}.pdf"
    _make(ReportFile(Path(settings.REPORTS_DIR) / name), lambda: facts_of_run(run))


def facts_of_run(run: PoolingRun) -> ReportFacts:
    """What a report of a run shows. Raises ReportOfOtherData when the data are not the run's."""
    trial = run.trial
    tables = with_derived_columns(release_tables(trial))
    _demand_present(run)
    assert run.finished_at is not None  # finished, as was just demanded
    return ReportFacts(
        trial=trial.code,
        title=trial.title,
        standing=f"Pooling run {run.pk}, not released",
        dated=run.finished_at.date().isoformat(),
        licence=LICENCES.get(trial.licence, (trial.licence, ""))[0],
        model_version=run.model_version,
        software_version=installed_version("coheap"),
        input_digest=run.input_digest,
        address="",
        contributors=tuple(tables["institutions"]["name"]),
        tables=tables,
        estimates=estimate_records(run),
    )


def _demand_present(run: PoolingRun) -> None:
    if run.state != RunState.DONE:
        raise ReportOfOtherData("This run is not finished; its report can be made afterwards.")
    if pooling_input.digest(run.trial) != run.input_digest:
        raise ReportOfOtherData(
            "Data changed since this run, and a report shows both of one moment. Pool again and "
            "print the new run, or print a release."
        )


def _make(report: ReportFile, facts: Callable[[], ReportFacts]) -> None:
    if report.is_made():
        return
    try:
        _write(report.path, report_pdf(facts()))
    except Exception as error:
        # Whatever it was, the reader learns of it instead of waiting for ever; the worker logs it.
        _write(report.refused, str(getattr(error, "message", "")).encode())
        raise
    report.asked.unlink(missing_ok=True)
    report.refused.unlink(missing_ok=True)


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".making-")
    with os.fdopen(handle, "wb") as target:
        target.write(content)
    os.chmod(temporary, 0o644)
    os.replace(temporary, path)


def _age_s(path: Path) -> float:
    """Seconds since the file was written; endless when there is none."""
    try:
        return time.time() - path.stat().st_mtime
    except FileNotFoundError:
        return float("inf")
