"""The primary model of one material: see `fit` for the model, `records` for what it reports."""

from registry.science.one_stage.fit import fit_one_stage
from registry.science.one_stage.records import OneStageFit, OneStageOutcome

__all__ = ["OneStageFit", "OneStageOutcome", "fit_one_stage"]
