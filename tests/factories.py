"""The least valid object of every model. A test writes what its assertion depends on."""

from datetime import UTC, date, datetime

import factory
from factory.django import DjangoModelFactory

from registry import models
from registry.models import people

BURIED_ON = date(2026, 4, 7)
NOON = datetime(2026, 4, 8, 12, tzinfo=UTC)
DIGEST = "0" * 64


class User(DjangoModelFactory):
    class Meta:
        model = models.User

    email = factory.Sequence("person{}@example.org".format)
    password = "!"  # nobody can sign in with it


class Institution(DjangoModelFactory):
    class Meta:
        model = models.Institution

    code = factory.Sequence("INST-{}".format)
    name = "Institute"
    country = "DK"


class Site(DjangoModelFactory):
    class Meta:
        model = models.Site

    code = factory.Sequence("SITE-{}".format)
    institution = factory.SubFactory(Institution)
    name = "Field station"
    country = "DK"
    time_zone = "Europe/Copenhagen"


class SiteMembership(DjangoModelFactory):
    class Meta:
        model = models.SiteMembership

    user = factory.SubFactory(User)
    site = factory.SubFactory(Site)


class Invitation(DjangoModelFactory):
    class Meta:
        model = models.Invitation

    digest = factory.LazyFunction(
        lambda: people.AccessToken.digest_of(people.AccessToken.new_secret())
    )
    email = factory.Sequence("invited{}@example.org".format)
    site = factory.SubFactory(Site)
    role = "technician"
    created_at = NOON
    expires_at = datetime(2126, 4, 8, 12, tzinfo=UTC)


class AccessToken(DjangoModelFactory):
    class Meta:
        model = models.AccessToken

    digest = factory.LazyFunction(
        lambda: people.AccessToken.digest_of(people.AccessToken.new_secret())
    )
    hint = "ch_"
    name = "balance room"
    site = factory.SubFactory(Site)


class Material(DjangoModelFactory):
    class Meta:
        model = models.Material

    code = factory.Sequence("MATERIAL-{}".format)
    name = "Coir pot"
    form = "pot"
    role = "test"


class Composition(DjangoModelFactory):
    class Meta:
        model = models.Composition

    material = factory.SubFactory(Material)
    component = "coir fibre"
    function = "fibre"
    mass_pct = 100.0


class Trial(DjangoModelFactory):
    class Meta:
        model = models.Trial

    code = factory.Sequence("TRIAL-{}".format)
    title = "A trial"
    state = "running"
    schedule_days = [28]
    primary_day = 28


class Upload(DjangoModelFactory):
    class Meta:
        model = models.Upload

    kind = "piles"
    sha256 = DIGEST
    content_type = "text/csv"
    size_bytes = 1


class UploadFault(DjangoModelFactory):
    class Meta:
        model = models.UploadFault

    upload = factory.SubFactory(Upload)
    code = "required"
    message = "kind is required."


class IdempotencyRecord(DjangoModelFactory):
    class Meta:
        model = models.IdempotencyRecord

    actor = "anyone"
    key = factory.Sequence("key-{}".format)
    request_sha256 = DIGEST
    status = 201
    answer = {"body": {"id": 1}, "headers": {}}


class Pile(DjangoModelFactory):
    class Meta:
        model = models.Pile

    site = factory.SubFactory(Site)
    trial = factory.SubFactory(Trial)
    code = factory.Sequence("P{:02}".format)
    kind = "bin"
    started_on = BURIED_ON


class Feedstock(DjangoModelFactory):
    class Meta:
        model = models.Feedstock

    pile = factory.SubFactory(Pile)
    ingredient = "chopped straw"
    wet_mass_kg = 100.0


class Turning(DjangoModelFactory):
    class Meta:
        model = models.Turning

    pile = factory.SubFactory(Pile)
    turned_at = NOON


class ProbeDay(DjangoModelFactory):
    class Meta:
        model = models.ProbeDay

    pile = factory.SubFactory(Pile)
    probe = "CORE"
    day = BURIED_ON
    seconds = [43_200]
    celsius = [55.0]
    count = 1
    lowest_c = 55.0
    mean_c = 55.0
    highest_c = 55.0
    uploads = [1]


class PileLog(DjangoModelFactory):
    class Meta:
        model = models.PileLog

    pile = factory.SubFactory(Pile)


class ProbeHeat(DjangoModelFactory):
    class Meta:
        model = models.ProbeHeat

    pile = factory.SubFactory(Pile)
    probe = "CORE"
    n_readings = 1
    logged_h = 0.0
    coverage = 0.0
    degree_hours = 0.0
    hours_above = [0.0] * 5
    longest_run_h = [0.0] * 5
    band_h = [0.0] * 5
    band_run_h = [0.0] * 5


class Bag(DjangoModelFactory):
    class Meta:
        model = models.Bag

    pile = factory.SubFactory(Pile)
    trial = factory.SelfAttribute("pile.trial")
    label = factory.Sequence("BAG-{}".format)
    material = factory.SubFactory(Material)
    buried_on = BURIED_ON
    initial_mass_g = 10.0


class Retrieval(DjangoModelFactory):
    class Meta:
        model = models.Retrieval

    bag = factory.SubFactory(Bag)
    retrieved_on = date(2026, 5, 5)
    outcome = "nothing_left"


class Photo(DjangoModelFactory):
    class Meta:
        model = models.Photo

    retrieval = factory.SubFactory(Retrieval)
    position = 1
    sent_sha256 = DIGEST
    sha256 = DIGEST
    width_px = 4
    height_px = 3
    size_bytes = 600


class Correction(DjangoModelFactory):
    class Meta:
        model = models.Correction

    retrieval = factory.SubFactory(Retrieval)
    field = "dry_mass_g"
    old_value = "4"
    new_value = "5"
    reason = "misread"


class Flag(DjangoModelFactory):
    class Meta:
        model = models.Flag

    pile = factory.SubFactory(Pile)
    code = factory.Sequence("flag_{}".format)
    message = "Heavier than at the start."


class PoolingRun(DjangoModelFactory):
    class Meta:
        model = models.PoolingRun

    trial = factory.SubFactory(Trial)
    input_digest = factory.Sequence("{:064}".format)
    model_version = "1"


class PooledEstimate(DjangoModelFactory):
    class Meta:
        model = models.PooledEstimate

    run = factory.SubFactory(PoolingRun)
    material = factory.SubFactory(Material)
    outcome = "decay_rate"
    model = "one_stage"
    unit = "1/d"
    n_sites = n_piles = n_bags = 1
    n_excluded = n_lost = n_nothing_left = 0
    method = "REML"


class SiteEstimate(DjangoModelFactory):
    class Meta:
        model = models.SiteEstimate

    pooled = factory.SubFactory(PooledEstimate)
    site = factory.SubFactory(Site)
    n_piles = n_bags = 1


class Figure(DjangoModelFactory):
    class Meta:
        model = models.Figure

    pooled = factory.SubFactory(PooledEstimate)
    name = "weeks"
    language = "en-gb"
    drawing = 1
    wide = narrow = "<svg/>"


class LeaveOneOut(DjangoModelFactory):
    class Meta:
        model = models.LeaveOneOut

    pooled = factory.SubFactory(PooledEstimate)
    site = factory.SubFactory(Site)


class CurvePoint(DjangoModelFactory):
    class Meta:
        model = models.CurvePoint

    pooled = factory.SubFactory(PooledEstimate)
    day = 28.0


class PileCurve(DjangoModelFactory):
    class Meta:
        model = models.PileCurve

    run = factory.SubFactory(PoolingRun)
    pile = factory.SubFactory(Pile)
    material = factory.SubFactory(Material)
    outcome = "fitted"
    method = "least_squares"
    best = "first_order"
    n_looks = n_days = 3
    n_nothing_left = 0


class CurveShape(DjangoModelFactory):
    class Meta:
        model = models.CurveShape

    curve = factory.SubFactory(PileCurve)
    shape = "first_order"
    parameters = [0.02]
    standard_errors = [0.001]
    aicc = -12.0
    half_life_days = 34.7
    days_to_90 = 115.1
    plateau = 0.0
    last_day = 84.0
    extrapolated = True
    converged = True


class ClassChance(DjangoModelFactory):
    class Meta:
        model = models.ClassChance

    pooled = factory.SubFactory(PooledEstimate)
    score = 2
    count = 4


class ChanceBy(DjangoModelFactory):
    class Meta:
        model = models.ChanceBy

    pooled = factory.SubFactory(PooledEstimate)
    days = 84


class LossScenario(DjangoModelFactory):
    class Meta:
        model = models.LossScenario

    pooled = factory.SubFactory(PooledEstimate)
    assumption = "all_gone"


class Comparison(DjangoModelFactory):
    class Meta:
        model = models.Comparison

    pooled = factory.SubFactory(PooledEstimate)
    other = factory.SubFactory(Material)
    against_reference = False
    difference = 1.0
    standard_error = 1.0
    df = 5.0
    ci_low = -1.0
    ci_high = 3.0
    p_adjusted = 0.5
    adjustment = "Tukey"


class Explanation(DjangoModelFactory):
    class Meta:
        model = models.Explanation

    run = factory.SubFactory(PoolingRun)
    kind = "filler_fraction"
    subject = factory.Sequence("polyester, tray: filler {}".format)
    code = "few_levels"
    message = "Two levels make a difference, not a line."
    unit = "%"
    step = 10.0
    n_rows = n_sites = n_materials = 1


class ExplainedRate(DjangoModelFactory):
    class Meta:
        model = models.ExplainedRate

    explanation = factory.SubFactory(Explanation)
    material = factory.SubFactory(Material)
    site = factory.SubFactory(Site)
    x = 30.0
    log_rate = -3.5
    standard_error = 0.1


class EstimateWarning(DjangoModelFactory):
    class Meta:
        model = models.EstimateWarning

    pooled = factory.SubFactory(PooledEstimate)
    code = "few_sites"
    message = "Three sites say little about a fourth."


class Release(DjangoModelFactory):
    class Meta:
        model = models.Release

    trial = factory.SubFactory(Trial)
    version = 1
    run = factory.SubFactory(PoolingRun)
    licence = "CC-BY-4.0"
    package_name = "trial-1.zip"
    package_sha256 = DIGEST
    package_bytes = 1
    n_rows = 0
    created_at = NOON


class ReleaseNotice(DjangoModelFactory):
    class Meta:
        model = models.ReleaseNotice

    release = factory.SubFactory(Release)
    message = "A balance was read wrongly; use version 2."


class OutsideStudy(DjangoModelFactory):
    class Meta:
        model = models.OutsideStudy

    code = factory.Sequence(lambda n: f"STUDY-{n}")
    title = "Decay of mulch films in four climates"
    source = "Author A (2020) Decay of mulch films in four climates. Journal 1:1-10."
    registered_by = factory.SubFactory(User)


class OutsideEffect(DjangoModelFactory):
    class Meta:
        model = models.OutsideEffect

    study = factory.SubFactory(OutsideStudy)
    material = factory.SubFactory(Material)
    site = "Plot 1"
    measure = "log_decay_rate"
    effect = -4.0
    variance = 0.01


class Rating(DjangoModelFactory):
    class Meta:
        model = models.Rating

    release = factory.SubFactory(Release)
    material = factory.SubFactory(Material)
    band = "not_enough_evidence"
    confidence = "none"
    n_sites = n_piles = n_bags = 0
    sentence = "There is not enough evidence yet."


class AuditEvent(DjangoModelFactory):
    class Meta:
        model = models.AuditEvent

    action = "trial_registered"
    summary = "A trial was registered"
