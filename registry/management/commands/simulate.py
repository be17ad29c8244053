"""`coheap simulate`: a synthetic trial in the upload formats, its true parameters beside it."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from registry.simulation.scenario import scaled_scenario
from registry.simulation.trial import simulate_trial
from registry.simulation.write import write_trial

DEFAULT_SEED = 2025


class Command(BaseCommand):
    help = "Write a synthetic trial in the upload formats, with its true parameters beside it."
    # Needs no database and no settings beyond the defaults.
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--sites", type=int, help="number of sites (default: the demo's eight)")
        parser.add_argument("--piles", type=int, help="piles per site (default: two to four)")
        parser.add_argument("--materials", type=int, help="number of materials (default: fourteen)")
        parser.add_argument("--bags", type=int, help="bags per material, pile and look (default 3)")
        parser.add_argument(
            "--days", help="days of the looks, comma-separated (default 14,28,…,112)"
        )
        parser.add_argument("--seed", type=int, default=DEFAULT_SEED)
        parser.add_argument("--out", type=Path, required=True, help="a new or empty folder")
        parser.add_argument("--clean", action="store_true", help="leave out the mess of real life")
        parser.add_argument(
            "--no-temperatures", action="store_true", help="leave out the hourly temperatures"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        out: Path = options["out"]
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise CommandError(f"--out {out} is not an empty folder; choose a new one.")
        if options["seed"] < 0:
            raise CommandError("--seed must be zero or more.")
        try:
            scenario = scaled_scenario(
                sites=options["sites"],
                piles=options["piles"],
                materials=options["materials"],
                bags=options["bags"],
                days=_days(options["days"]),
                clean=options["clean"],
            )
        except ValueError as refused:
            raise CommandError(str(refused)) from refused
        trial = simulate_trial(scenario, options["seed"], with_heat=not options["no_temperatures"])
        written = write_trial(trial, out)
        self.stdout.write(
            f"Wrote {len(written)} files to {out}: {len(scenario.sites)} sites, "
            f"{len(trial.piles)} piles, {len(scenario.materials)} materials, "
            f"{trial.bags.label.size} bags; seed {trial.seed}. Truth in truth.json."
        )


def _days(text: str | None) -> list[int] | None:
    if text is None:
        return None
    try:
        return [int(part) for part in text.split(",")]
    except ValueError as refused:
        raise ValueError("--days is a list of whole numbers, such as 14,28,56.") from refused
