"""The trade's words, explained so that a grower can read every page."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from frontend.presenters import numbers


@dataclass(frozen=True, slots=True)
class Entry:
    key: str
    term: str
    meaning: str


def entries() -> list[Entry]:
    """Sorted by term in the reader's language; `key` is the anchor and stays the same."""
    return sorted(
        (Entry(key, term, meaning) for key, (term, meaning) in _terms().items()),
        key=lambda entry: entry.term.casefold(),
    )


def _terms() -> dict[str, tuple[str, str]]:
    return {
        "bag": (
            _("Mesh bag"),
            _(
                "A small net bag with a label. It holds weighed pieces of one item, lies in the "
                "pile, and is lifted later to see what is left."
            ),
        ),
        "pile": (
            _("Pile"),
            _(
                "One working compost pile: a heap, bin, drum or long row. Each pile counts once; "
                "many bags in one pile do not make many piles."
            ),
        ),
        "gone": (
            _("Gone"),
            _("At least 90 % of the dry weight has left the bag. A few bits may still be there."),
        ),
        "turning": (
            _("Turning"),
            _("Mixing the pile with a fork or a machine, so that the outside gets hot too."),
        ),
        "sieving": (
            _("Sieving"),
            _("Shaking the compost through a mesh, so that what is too big stays on top."),
        ),
        "coat": (
            _("Coating"),
            _("A thin layer on the item, such as wax or plastic, that keeps water out."),
        ),
        "site": (_("Site"), _("A place with one or more piles, run by one institution.")),
        "look": (
            _("Look"),
            _("One retrieval of one bag: what was left, or why nothing can be said."),
        ),
        "disintegration": (
            _("Disintegration"),
            _(
                "Pieces becoming too small to find above a sieve or mesh. It does not show that "
                "the item has turned into carbon dioxide, nor that no small residue is left."
            ),
        ),
        "dry-mass-left": (
            _("Dry mass left"),
            _("Dried weight of what is left, as a share of the dried weight at the start."),
        ),
        "control": (
            _("Control"),
            _(
                "An item whose fate is known. Cellulose should go; polyethylene should stay. They "
                "show whether a pile worked and whether the handling was clean."
            ),
        ),
        "heat": (
            _("Hot, warm and cool piles"),
            _(
                "Hot: %(hot)s or more for days on end. Warm: %(warm)s or more for at least 5 days. "
                "Cool: neither. Unknown: too few readings to say."
            )
            % {"hot": numbers.temperature(55), "warm": numbers.temperature(40)},
        ),
        "decay-rate": (
            _("Decay rate"),
            _(
                "How fast mass is lost, per day. At 0.03 per day about 3 % of what is left goes "
                "each day."
            ),
        ),
        "lag": (
            _("Lag"),
            _("Days before any loss shows: the item first has to get wet, warm and overgrown."),
        ),
        "interval": (
            _("Interval of the mean (95 %)"),
            _("Where the average of all such sites plausibly lies."),
        ),
        "prediction-interval": (
            _("Range for a new pile"),
            _(
                "Where the result of one new pile at a new site plausibly falls. It is wider than "
                "the interval of the mean, and it is the one to plan with."
            ),
        ),
        "tau": (
            "τ (tau)",
            _("How much true rates differ from site to site, on the scale of their logarithm."),
        ),
        "i2": (
            "I²",
            _("Share of the spread between sites that is more than chance, in percent."),
        ),
        "weight": (
            _("Weight"),
            _("How much a site counts in the pooled mean: more for precise sites, never all."),
        ),
        "shrunken": (
            _("Shrunken estimate"),
            _(
                "A site's estimate drawn towards the pooled mean, the more so the less the site "
                "knows by itself."
            ),
        ),
        "leave-one-out": (
            _("Leave one site out"),
            _("The result again without one site, to see whether a single site carries it."),
        ),
        "release": (
            _("Release"),
            _("A numbered, frozen copy of the data and results that never changes again."),
        ),
        "confidence": (
            _("Confidence word"),
            _("Low, fair or good: how many sites with valid piles a rating rests on."),
        ),
    }
