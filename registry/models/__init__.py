"""The nouns of the registry, one file each."""

from .audit_event import AuditEvent
from .bag import Bag
from .explanation import ExplainedRate, Explanation
from .figure import Figure
from .history import HISTORY, TrialCoordinator, TrialMaterial, TrialSite
from .institution import Institution
from .invitation import Invitation
from .material import Composition, Material
from .outside_study import OUTSIDE_MEASURES, OutsideEffect, OutsideStudy
from .people import AccessToken, SiteMembership, SiteRole, User
from .photo import Photo
from .pile import Feedstock, Pile, ProbeDay, Turning
from .pile_curve import CurveShape, PileCurve
from .pile_heat import PileLog, ProbeHeat
from .pooled_estimate import (
    ChanceBy,
    ClassChance,
    Comparison,
    CurvePoint,
    EstimateWarning,
    LeaveOneOut,
    LossScenario,
    PooledEstimate,
    SiteEstimate,
)
from .pooling_run import CurvesState, PoolingRun, RunState
from .quality import Correction, Flag, FlagDecision
from .release import Rating, Release, ReleaseNotice
from .retrieval import Retrieval
from .site import Site
from .trial import Trial, TrialState
from .upload import IdempotencyRecord, ReviewState, Upload, UploadFault, UploadState

__all__ = [
    "AccessToken",
    "AuditEvent",
    "Bag",
    "HISTORY",
    "ChanceBy",
    "ClassChance",
    "Comparison",
    "Composition",
    "Correction",
    "CurvePoint",
    "CurveShape",
    "CurvesState",
    "EstimateWarning",
    "ExplainedRate",
    "Explanation",
    "Feedstock",
    "Figure",
    "Flag",
    "FlagDecision",
    "IdempotencyRecord",
    "Institution",
    "Invitation",
    "LeaveOneOut",
    "LossScenario",
    "Material",
    "OUTSIDE_MEASURES",
    "OutsideEffect",
    "OutsideStudy",
    "Photo",
    "Pile",
    "PileCurve",
    "PileLog",
    "PooledEstimate",
    "PoolingRun",
    "ProbeDay",
    "ProbeHeat",
    "Rating",
    "Release",
    "ReleaseNotice",
    "Retrieval",
    "ReviewState",
    "RunState",
    "Site",
    "SiteEstimate",
    "SiteMembership",
    "SiteRole",
    "Trial",
    "TrialCoordinator",
    "TrialMaterial",
    "TrialSite",
    "TrialState",
    "Turning",
    "Upload",
    "UploadFault",
    "UploadState",
    "User",
]
