"""How far a pooling run has come."""

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from frontend.presenters.vocabulary import RUN_STATES, Words, word
from registry.models import PoolingRun, RunState

STAGES: Words = {
    "gathering": gettext_lazy("reading the looks"),
    "stored": gettext_lazy("results stored"),
}


@dataclass(frozen=True, slots=True)
class Progress:
    """`done` of `total` steps of `stage`; `total` 0 means not known yet."""

    state: str
    stage: str
    done: int
    total: int
    attempt: str
    error: str
    is_over: bool
    is_done: bool


def progress_of(run: PoolingRun) -> Progress:
    return Progress(
        state=word(RUN_STATES, run.state),
        stage=word(STAGES, run.stage) if run.stage else "",
        done=min(run.done, run.total),
        total=run.total,
        attempt=_("attempt %(n)d") % {"n": run.attempt} if run.attempt > 1 else "",
        error=run.error,
        is_over=run.state in (RunState.DONE, RunState.FAILED),
        is_done=run.state == RunState.DONE,
    )
