"""The registry's words in the reader's language: one place for every coded value on a page."""

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from frontend.presenters import numbers

Words = dict[str, str | Promise]

FORMS: Words = {
    "pot": _("Pot"),
    "tray": _("Tray"),
    "plug": _("Plug"),
    "film": _("Film"),
    "mat": _("Mat"),
    "twine": _("Twine"),
    "clip": _("Clip"),
    "sheet": _("Sheet"),
    "foam": _("Foam"),
    "other": _("Other"),
}
ROLES: Words = {
    "test": _("On trial"),
    "positive_control": _("Control that should go"),
    "negative_control": _("Control that should stay"),
}
HEATS: Words = {
    "all": _("All piles on trial"),
    "hot": _("Hot piles"),
    "warm": _("Warm piles"),
    "cool": _("Cool piles"),
    "unknown": _("Piles of unknown heat"),
}
HEAT_MEANINGS: Words = {
    "hot": _("%(hot)s or more for days on end, as rules for clean compost ask"),
    "warm": _("%(warm)s or more for at least 5 days"),
    "cool": _("never %(warm)s for 5 days"),
}
PILE_KINDS: Words = {
    "heap": _("Heap"),
    "bin": _("Bin"),
    "tumbler": _("Tumbler"),
    "windrow": _("Windrow"),
    "in_vessel": _("Vessel"),
}
FLAG_DECISIONS: Words = {
    "waiting": _("waiting for a coordinator"),
    "accept": _("accepted"),
    "exclude": _("excluded"),
    "withdrawn": _("withdrawn: the data no longer show it"),
}
PILE_HEATS: Words = {
    "hot": _("A hot pile"),
    "warm": _("A warm pile"),
    "cool": _("A cool pile"),
    "unknown": _("Heat not known"),
}
BANDS: Words = {
    "gone": _("Gone"),
    "nearly_gone": _("Nearly gone"),
    "still_in_pieces": _("Still in pieces"),
    "little_change": _("Little change"),
    "not_enough_evidence": _("Not enough evidence yet"),
}
CONFIDENCES: Words = {
    "none": _("no confidence yet"),
    "low": _("low confidence"),
    "fair": _("fair confidence"),
    "good": _("good confidence"),
}
TRIAL_STATES: Words = {
    "draft": _("Draft"),
    "registered": _("Registered, not yet begun"),
    "running": _("Running"),
    "closed": _("Closed"),
}
RUN_STATES: Words = {
    "queued": _("Waiting for a worker"),
    "running": _("Pooling"),
    "done": _("Finished"),
    "failed": _("Failed"),
}
UPLOAD_STATES: Words = {
    "queued": _("Waiting"),
    "running": _("Being checked"),
    "stored": _("Stored"),
    "rejected": _("Refused, nothing stored"),
}
# Of the quality rules over stored rows.
REVIEW_STATES: Words = {
    "none": _("No rule reads such rows"),
    "waiting": _("Waiting: a large file is reviewed in the background"),
    "done": _("Done: findings are flags"),
}
UPLOAD_KINDS: Words = {
    "materials": _("Materials"),
    "compositions": _("Compositions"),
    "piles": _("Piles"),
    "feedstocks": _("Feedstocks"),
    "turnings": _("Turnings"),
    "temperatures": _("Temperatures"),
    "bags": _("Bags"),
    "retrievals": _("Looks at bags"),
}
LOOK_FIELDS: Words = {
    "outcome": _("Outcome"),
    "reburied": _("Put back into the pile"),
    "wet_mass_g": _("Residue as lifted"),
    "dry_mass_g": _("Dry residue"),
    "ash_pct": _("Ash of the residue"),
    "contaminant_ash_pct": _("Ash of the compost around it"),
    "sieve_mm": _("Sieve aperture"),
    "drying_c": _("Drying temperature"),
    "fragmentation": _("Fragmentation, 0 whole to 5 none found"),
    "growth": _("Growth, 0 none to 5 fully overgrown"),
    "brittleness": _("Brittleness, 0 as new to 4 crumbles"),
    "cracking": _("Cracks, 0 none to 4 all over"),
    "discolouration": _("Discolouration, 0 as new to 4 all over"),
    "observer": _("Observer"),
    "notes": _("Notes"),
}
CURVE_SHAPES: Words = {
    "first_order": _("First-order"),
    "lag_first_order": _("First-order after a lag"),
    "weibull": _("Weibull"),
    "asymptotic": _("Levels off"),
    "double_exponential": _("Fast and slow part"),
}
FLAG_KINDS: Words = {
    "remaining_over_105": _("More residue than there was material"),
    "more_than_before": _("More left than at the look before"),
    "replicate_spread": _("Bags of one day far apart"),
    "hidden_compost": _("Ash says that compost hides in the residue"),
    "outside_window": _("Lifted early or late"),
    "score_against_mass": _("Score and mass disagree"),
    "gone_beside_remaining": _("Gone beside bags that are not"),
    "start_mass_off_batch": _("Start mass far from its batch"),
    "control_lost_mass": _("Control that should stay lost mass"),
    "control_gained_mass": _("Control that should stay gained mass"),
    "control_not_degraded": _("Control that should go is still there"),
    "few_bags_recovered": _("Few bags came back whole"),
    "above_75": _("Readings above 75 °C"),
    "fahrenheit_like": _("Readings look like °F"),
    "logger_outside": _("Logger lay outside the pile"),
    "gap_while_hot": _("Gap while the pile was hot"),
    "log_incomplete": _("Too little of the heat was logged"),
    "start_cn_out_of_range": _("C:N of the start mix out of range"),
    "start_moisture_out_of_range": _("Moisture of the start mix out of range"),
}
GATES: Words = {
    "": _("none weighed"),
    "passed": _("as it should be"),
    "handling_loss": _("lost mass: handling loses some"),
    "contamination": _("gained mass: compost adheres"),
    "inactive": _("still there: an inactive pile"),
    "not_checked": _("not yet known"),
}
SITE_ROLES: Words = {
    "technician": _("Technician"),
    "lead": _("Lead"),
}
LOOK_OUTCOMES: Words = {
    "recovered": _("Recovered: residue weighed or scored"),
    "nothing_left": _("Nothing left: bag whole, no residue (a true zero)"),
    "bag_lost": _("Bag lost: missing, not zero"),
    "bag_damaged": _("Bag torn or open: missing, not zero"),
    "looked_at": _("Looked at in place, not weighed"),
}
SHORT_OUTCOMES: Words = {
    "recovered": _("Something is left"),
    "nothing_left": _("Nothing is left"),
    "bag_lost": _("The bag is lost"),
    "bag_damaged": _("The bag is torn or open"),
    "looked_at": _("Looked at in place"),
}
FUNCTIONS: Words = {
    "polymer": _("polymer"),
    "filler": _("filler"),
    "fibre": _("fibre"),
    "plasticiser": _("plasticiser"),
    "coating": _("coating"),
    "additive": _("additive"),
}
MODELS: Words = {
    "one_stage": _("One stage, all bags at once"),
    "two_stage": _("Two stages: a rate per pile, then pooled"),
    "fixed_day": _("At a fixed day"),
    "ordinal": _("Visual scores"),
}
OUTCOMES: Words = {
    "decay_rate": _("Decay rate"),
    "days_to_90": _("Days until 90 % is gone"),
    "disintegration_at_day": _("Mass lost by a day"),
    "fragmentation_at_day": _("Visual score on a day"),
}
UNITS: Words = {
    "1/d": _("per day"),
    "per day": _("per day"),
    "d": _("days"),
    "days": _("days"),
    "%": _("%"),
    "g": _("g"),
    "h": _("hours"),
    "Cel": _("°C"),
    "mm": _("mm"),
    "1": "",
}
ADJUSTMENTS: Words = {
    "tukey": _("Tukey"),
    "multivariate_t": _("multivariate t"),
    "holm": _("Holm"),
    "none": _("none"),
}
LOSSES: Words = {
    "gone": _("If every lost or torn bag had been empty"),
    "untouched": _("If every lost or torn bag had been as new"),
}


def heat_meaning(heat_class: str) -> str:
    """What hot, warm and cool stand for, in the reader's degrees; blank for anything else."""
    if heat_class not in HEAT_MEANINGS:
        return ""
    limits = {"hot": numbers.temperature(55), "warm": numbers.temperature(40)}
    return str(HEAT_MEANINGS[heat_class]) % limits


def word(words: Words, code: str) -> str:
    """The word for a code; a code that has none yet is shown with its underscores as blanks."""
    return str(words.get(code) or code.replace("_", " "))
