"""`coheap plan`: expected intervals, power and the cheapest trial for a goal."""

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np
from django.core.management.base import BaseCommand, CommandError

from registry.errors import RegistryError
from registry.management.acting import as_coordinator_of
from registry.management.progress import progress_bar
from registry.models import PoolingRun
from registry.permissions import ANYONE, Actor
from registry.queries.plan_fields import FIELDS, MOST_SIMULATIONS, read_asked
from registry.queries.plan_question import Assumed, assumed_by, question_of
from registry.science.plan_answer import PlanAnswer, Question, answer
from registry.science.plan_simulation import SimulatedWidth, simulate_days_to_90

DEFAULT_SEED = 1


class Command(BaseCommand):
    """Needs no database unless a trial or run is named."""

    help = (
        "How well a trial will know days to 90 % and tell a material from its reference, and the "
        "cheapest trial that reaches a goal. Variances from a finished run (--trial or --run, and "
        "--material), or typed in."
    )
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        for field in FIELDS:
            meaning = field.meaning
            if field.name == "simulations":
                meaning = "trials to draw and fit beside the formula, any number"
            name = "--" + field.name.replace("_", "-")
            parser.add_argument(name, dest=field.name, help=meaning.replace("%", "%%"))
        parser.add_argument("--json", action="store_true", dest="as_json", help="one JSON object")

    def handle(self, *args: Any, **options: Any) -> None:
        sent = {f.name: options[f.name] for f in FIELDS if options[f.name] is not None}
        n_trials = _whole(sent.pop("simulations", "0"))
        try:
            asked = read_asked(sent)
            assumed = assumed_by(asked, _actor(asked))
            question = question_of(asked, assumed)
        except RegistryError as refusal:
            raise CommandError(refusal.message) from refusal
        found = answer(question)
        simulated = self._simulate(question, assumed, n_trials, asked.get("seed", DEFAULT_SEED))
        if options["as_json"]:
            told = {**asdict(found), "simulated": simulated and asdict(simulated)}
            self.stdout.write(json.dumps(told, ensure_ascii=False))
        else:
            self.stdout.write("\n".join(_lines(question, assumed, found, simulated)))

    def _simulate(
        self, question: Question, assumed: Assumed, n_trials: int, seed: int
    ) -> SimulatedWidth | None:
        if n_trials == 0:
            return None
        if question.decay is None:
            raise CommandError("A simulation needs the decay rate's variances.")

        def show(done: int, total: int) -> None:
            self.stderr.write("\r" + progress_bar(done, total, after="trials"), ending="")
            self.stderr.flush()

        found = simulate_days_to_90(
            question.decay,
            question.plan,
            np.array(question.days),
            n_trials=n_trials,
            seed=seed,
            detection_limit=assumed.detection_limit,
            level=question.level,
            on_trial=show,
        )
        self.stderr.write("")
        return found


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 8):
        raise CommandError(f"--simulations is a whole number, {MOST_SIMULATIONS} for a first look.")
    return int(text)


def _actor(asked: dict[str, Any]) -> Actor:
    """An operator sees what the trial's coordinator sees."""
    code = asked.get("trial")
    if "run" in asked:
        run = PoolingRun.objects.filter(pk=asked["run"]).select_related("trial").first()
        code = run.trial.code if run else None
    return ANYONE if code is None else as_coordinator_of(code)[1]


def _lines(
    question: Question, assumed: Assumed, found: PlanAnswer, simulated: SimulatedWidth | None
) -> Iterator[str]:
    plan = found.plan
    yield f"Variances: {assumed.source}"
    yield (
        f"Plan: {plan.sites} sites × {plan.piles} piles × {plan.materials} materials × "
        f"{plan.bags} bags × {plan.looks} looks = {plan.n_bags} bags; cost {found.cost:g}"
    )
    yield f"Days to 90 %: {found.days_to_90.message}"
    if simulated is not None:
        yield f"  {_of_simulation(simulated)}"
    yield f"Primary day: {found.comparison.message}"
    cheapest = found.cheapest
    if cheapest.outcome != "not_asked":
        yield f"Goal: {cheapest.message}"
    if cheapest.outcome == "found" and cheapest.days_to_90 and cheapest.comparison:
        yield f"  cost {cheapest.cost:g}, {cheapest.plan.n_bags if cheapest.plan else 0} bags"
        yield f"  {cheapest.days_to_90.message}"
        yield f"  {cheapest.comparison.message}"
    yield from (f"Note: {note}" for note in assumed.notes)


def _of_simulation(found: SimulatedWidth) -> str:
    if found.factor is None or found.coverage is None:
        told = ", ".join(f"{name} {n}" for name, n in found.outcomes)
        return f"drawn: {found.n_trials} trials, too few with an interval ({told})"
    return (
        f"drawn: a factor of {found.factor:.3f} up and down (log {found.half_width:.3f} ± "
        f"{found.half_width_error:.3f}) in {found.n_with_interval} of {found.n_trials} trials; "
        f"{100 * found.coverage:.0f} % held the truth; seed {found.seed}"
    )
