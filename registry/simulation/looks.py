"""Looks at the bags of a simulated trial as the rows a balance room sends."""

import numpy as np
import pandas as pd

from registry.simulation.bags import fraction_left
from registry.simulation.mess import DAMAGED, LOST, NOTHING_LEFT, RECOVERED
from registry.simulation.scores import seen_from_outside
from registry.simulation.tables import codes, started_on
from registry.simulation.trial import SimulatedTrial

LOOKED_AT_SHARE = (0.25, 0.5)  # of the way to the last look
OBSERVERS = np.array(["KT", "MR", "AB", "JV"])
DEFAULT_DRYING_C = 105


def retrievals(trial: SimulatedTrial) -> pd.DataFrame:
    """Every look at every bag, with a `site` column to split by; travel bags come back on day 0."""
    frame = pd.concat([_last_looks(trial), _looks_on_the_way(trial)], ignore_index=True)
    return frame.sort_values(["retrieved_on", "bag_label"], ignore_index=True)


def _last_looks(trial: SimulatedTrial) -> pd.DataFrame:
    scenario, draw, seen = trial.scenario, trial.bags, trial.outcomes
    weighed = seen.outcome == RECOVERED
    dry = np.round(seen.residue_fraction * draw.oven_dry_mass_g, 3)
    drying = np.array([m.drying_limit_c or DEFAULT_DRYING_C for m in scenario.materials])
    # Rinsed residues drip; about as much water as dry matter.
    wet = np.round(dry * np.where(draw.travel, 1.0, 1.9) + 0.01, 2)
    frame = pd.DataFrame(
        {
            "site": codes(scenario.sites)[draw.site],
            "trial": scenario.trial,
            "bag_label": draw.label,
            "retrieved_on": (started_on(trial)[draw.site] + draw.day).astype(str),
            "outcome": seen.outcome,
            "reburied": "no",
            "wet_mass_g": np.where(weighed, np.maximum(wet, dry), np.nan),
            "dry_mass_g": dry,
            "ash_pct": np.round(100 * seen.ash, 2),
            "contaminant_ash_pct": np.round(100 * seen.contaminant_ash, 2),
            "sieve_mm": np.where(weighed | (seen.outcome == NOTHING_LEFT), 2.0, np.nan),
            "drying_c": np.where(weighed, drying[draw.material], np.nan),
        }
    )
    missing = (seen.outcome == LOST) | (seen.outcome == DAMAGED) | draw.travel
    for name, score in trial.scores.items():
        frame[name] = pd.array(np.where(missing, np.nan, score), dtype="Int64")
    frame["observer"] = OBSERVERS[draw.pile % OBSERVERS.size]
    frame["notes"] = _notes(trial)
    return frame


def _looks_on_the_way(trial: SimulatedTrial) -> pd.DataFrame:
    """Watched bags, scored in place and put back, a quarter and half of the way along."""
    scenario, draw, i = trial.scenario, trial.bags, trial.watched
    parts = []
    for share in LOOKED_AT_SHARE:
        day = max(1, int(share * max(scenario.schedule_days)))
        left = fraction_left(
            scenario, trial.truth, draw.material[i], draw.pile[i], np.full(i.size, day)
        )
        parts.append(
            pd.DataFrame(
                {
                    "site": codes(scenario.sites)[draw.site[i]],
                    "trial": scenario.trial,
                    "bag_label": draw.label[i],
                    "retrieved_on": (started_on(trial)[draw.site[i]] + day).astype(str),
                    "outcome": "looked_at",
                    "reburied": "yes",
                    # Seen from outside the mesh: only how broken up it looks.
                    "fragmentation": seen_from_outside(left),
                    "observer": OBSERVERS[draw.pile[i] % OBSERVERS.size],
                    "notes": "",
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _notes(trial: SimulatedTrial) -> np.ndarray:
    outcome, draw = trial.outcomes.outcome, trial.bags
    pile, look = trial.outcomes.late_visit
    notes = np.full(outcome.size, "", dtype=object)
    if pile >= 0:
        planned = trial.scenario.schedule_days[look]
        notes[(draw.pile == pile) & (draw.planned_day == planned)] = "yard closed, lifted late"
    notes[trial.outcomes.stuck_fraction > 0] = "compost sticks to the residue"
    notes[outcome == LOST] = "not found"
    notes[outcome == DAMAGED] = "bag torn by the machine"
    return notes
