import json
from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.packages.errors import PackageFault
from registry.packages.recompute import TOLERANCE, RecomputeReport, recompute

# One changed cell moves every number that rests on it; the first faults say where to look.
MOST_FAULTS_SHOWN = 20


class Command(BaseCommand):
    """Needs no database, and asks for none."""

    help = (
        "Verify a released data package and compute every pooled number again from its rows. "
        "Exit code 1 when a file was changed, a column does not follow from the raw rows, or a "
        f"number differs by more than {TOLERANCE:g} relative."
    )
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("package", type=Path, metavar="FILE.zip")
        parser.add_argument(
            "--json", action="store_true", dest="as_json", help="the report as one JSON object"
        )

    def handle(self, *args: Any, package: Path, as_json: bool, **options: Any) -> None:
        try:
            report = recompute(package)
        except PackageFault as error:
            raise CommandError(error.message, returncode=1) from error
        self.stdout.write(_as_json(report) if as_json else "\n".join(_lines(report)))
        if not report.ok:
            raise CommandError(f"{len(report.faults)} faults found.", returncode=1)


def _as_json(report: RecomputeReport) -> str:
    return json.dumps({"ok": report.ok, **asdict(report)}, ensure_ascii=False)


def _lines(report: RecomputeReport) -> list[str]:
    lines = [f"Trial {report.trial}, version {report.version}, model {report.model_version}"]
    lines += [f"Note: {note}" for note in report.notes]
    lines += [f"FAULT: {fault}" for fault in report.faults[:MOST_FAULTS_SHOWN]]
    if len(report.faults) > MOST_FAULTS_SHOWN:
        hidden = len(report.faults) - MOST_FAULTS_SHOWN
        lines.append(f"… and {hidden:,} faults more; --json lists them all.")
    place = f" ({report.where})" if report.where else ""
    lines.append(
        f"{report.n_estimates} estimates, {report.n_numbers} numbers recomputed; "
        f"largest relative difference {report.largest:.3g}{place}."
    )
    if report.ok:
        lines.append("Checksums, derived columns and every estimate agree.")
    return lines
