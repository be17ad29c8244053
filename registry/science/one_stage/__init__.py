"""The primary model of one material: see `fit` for the model, `records` for what it reports."""

from registry.science.one_stage.cells import Looks, check_looks
from registry.science.one_stage.fit import fit_looks, fit_one_stage
from registry.science.one_stage.records import (
    LagEstimate,
    OneStageFit,
    OneStageOutcome,
    SiteLeftOut,
    SiteRate,
    StudentCheck,
)
from registry.science.one_stage.sensitivity import (
    laplace_error,
    leave_one_site_out,
    student_check,
)

__all__ = [
    "LagEstimate",
    "Looks",
    "OneStageFit",
    "OneStageOutcome",
    "SiteLeftOut",
    "SiteRate",
    "StudentCheck",
    "check_looks",
    "fit_looks",
    "fit_one_stage",
    "laplace_error",
    "leave_one_site_out",
    "student_check",
]
