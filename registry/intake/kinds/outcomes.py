"""An outcome and the measurements beside it must tell one story: a missing bag is never a zero."""

import numpy as np

from registry.intake.faults import FaultBook, Say
from registry.intake.table import BoolArray, Table, always
from registry.models.retrieval import MASSES, SCORES

# Residue is weighed hot or in moist air; more gain than this in drying is two swapped cells.
DRYING_GAIN = 1.02


def refuse_contradictions(table: Table, book: FaultBook) -> None:
    """Note every row whose outcome does not go with its masses, scores or re-burial."""
    scored, scores_readable = _any_given(table, SCORES), table.good(*SCORES)
    _refuse_residue(table, book)
    weighed = _any_given(table, ("wet_mass_g", "dry_mass_g"))
    readable = scores_readable & table.good("wet_mass_g", "dry_mass_g")
    table.refuse(
        book,
        table.is_any("outcome", "recovered") & ~weighed & ~scored & readable,
        "outcome",
        always(
            "recovered_without_weight_or_score",
            "A recovered bag needs a mass or a score. If nothing was in the intact bag write "
            "nothing_left; if it was torn or not found, bag_damaged or bag_lost.",
        ),
    )
    missing = table.is_any("outcome", "bag_lost", "bag_damaged")
    for name in SCORES:
        table.refuse(
            book,
            missing & table.given(name),
            name,
            always(
                "missing_bag_with_scores",
                f"A bag that was lost or damaged has no {name} score; leave it blank, or "
                "correct the outcome.",
            ),
        )
    table.refuse(
        book,
        table.is_any("outcome", "looked_at") & ~scored & scores_readable,
        "outcome",
        always(
            "looked_at_without_score",
            "A bag that was looked at needs at least one score: " + ", ".join(SCORES) + ".",
        ),
    )
    _refuse_reburial(table, book)
    _refuse_gain(table, book)


def _refuse_residue(table: Table, book: FaultBook) -> None:
    other = table.given("outcome") & ~table.is_any("outcome", "recovered")
    for name in MASSES:
        table.refuse(book, other & table.given(name), name, _no_residue(table, name))


def _no_residue(table: Table, name: str) -> Say:
    return lambda row: (
        "residue_only_when_recovered",
        f"With outcome {table.column('outcome')[row]} there is no residue to weigh: leave {name} "
        "blank, or write recovered.",
    )


def _refuse_reburial(table: Table, book: FaultBook) -> None:
    table.refuse(
        book,
        table.is_any("reburied", "yes") & table.is_any("outcome", "nothing_left", "bag_lost"),
        "reburied",
        lambda row: (
            "nothing_to_rebury",
            f"With outcome {table.column('outcome')[row]} there was nothing to bury again: write "
            "no.",
        ),
    )


def _refuse_gain(table: Table, book: FaultBook) -> None:
    wet, dry = table.numbers("wet_mass_g"), table.numbers("dry_mass_g")
    table.refuse(
        book,
        dry > wet * DRYING_GAIN,
        "dry_mass_g",
        lambda row: (
            "dry_heavier_than_wet",
            f"{dry[row]:g} g dry is more than {wet[row]:g} g wet. Are the two cells swapped?",
        ),
    )


def _any_given(table: Table, names: tuple[str, ...]) -> BoolArray:
    given = np.zeros(table.rows, dtype=bool)
    for name in names:
        given |= table.given(name)
    return given
