"""How materials are related by what they are made of: one base at several filler fractions, and
coated beside uncoated.

base        the polymer or fibre of the largest share, at least half of the dry mass
filler      any other fibre or filler; a family holds one base, one form and one filler; the base
            alone belongs to the family of every filler
coated      with a coating in words or as a component; its partner has the same form and, the
            coating left out, the same components in the same shares

Controls, blends of polymers and mixtures of fillers belong to no family: what differs between them
is not one fraction. The limits are agreed here; no source.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

LEAST_BASE_PCT = 50.0
# Of other polymers, together: a compatibiliser or a trace of another grade, but no blend.
MOST_OTHER_POLYMER_PCT = 5.0
# Less than this of a filler is an impurity or a pigment.
LEAST_FILLER_PCT = 1.0
# By how many points the shares of a coated item and its partner may differ, the coating left out.
SAME_SHARE_POINTS = 2.0
SOLID = ("polymer", "fibre")
FILLERS = ("filler", "fibre")
COATING = "coating"


@dataclass(frozen=True, slots=True)
class Component:
    """A share of a material's dry mass; `function` as in the upload columns."""

    name: str
    function: str
    mass_pct: float


@dataclass(frozen=True, slots=True)
class MaterialFacts:
    """What is known of a material before it is buried; `coating` is blank without one."""

    code: str
    form: str
    role: str
    thickness_um: float | None
    coating: str
    components: tuple[Component, ...]

    @property
    def is_coated(self) -> bool:
        return bool(self.coating) or any(c.function == COATING for c in self.components)


@dataclass(frozen=True, slots=True)
class Member:
    """A material of a family: its filler in percent of the dry mass."""

    code: str
    filler_pct: float
    thickness_um: float | None


@dataclass(frozen=True, slots=True)
class Family:
    """Two or more materials of one base, form and filler, by filler fraction."""

    base: str
    form: str
    filler: str
    members: tuple[Member, ...]

    @property
    def alone(self) -> str | None:
        """Code of the base without filler, the first by code; None when none was on trial."""
        first = self.members[0]
        return first.code if first.filler_pct < LEAST_FILLER_PCT else None


@dataclass(frozen=True, slots=True)
class CoatedPair:
    coated: str
    uncoated: str


@dataclass(frozen=True, slots=True)
class Contrasted:
    """Materials that are compared with one of theirs: the base alone, or the uncoated partner."""

    reference: str
    others: tuple[str, ...]


def contrasted(materials: Sequence[MaterialFacts]) -> tuple[Contrasted, ...]:
    """Each filled material with its base alone, each coated one with its partner; each once."""
    by_family = [
        Contrasted(family.alone, tuple(m.code for m in family.members if _is_filled(m)))
        for family in families(materials)
        if family.alone is not None
    ]
    return (*by_family, *(Contrasted(p.uncoated, (p.coated,)) for p in coated_pairs(materials)))


def _is_filled(member: Member) -> bool:
    return member.filler_pct >= LEAST_FILLER_PCT


def families(materials: Iterable[MaterialFacts]) -> tuple[Family, ...]:
    """Families of two or more members, ordered by base, form and filler."""
    alone: dict[tuple[str, str], list[Member]] = defaultdict(list)
    filled: dict[tuple[str, str, str], list[Member]] = defaultdict(list)
    for material in materials:
        found = _base_and_filler(material)
        if found is None:
            continue
        base, filler, share = found
        member = Member(material.code, share, material.thickness_um)
        if filler is None:
            alone[base, material.form].append(member)
        else:
            filled[base, material.form, filler].append(member)
    made = [
        Family(base, form, filler, _ordered([*alone[base, form], *members]))
        for (base, form, filler), members in sorted(filled.items())
    ]
    return tuple(family for family in made if len(family.members) > 1)


def _ordered(members: Sequence[Member]) -> tuple[Member, ...]:
    return tuple(sorted(members, key=lambda m: (m.filler_pct, m.code)))


def coated_pairs(materials: Iterable[MaterialFacts]) -> tuple[CoatedPair, ...]:
    """Each coated material beside the uncoated one that is most like it, by code."""
    tested = sorted((m for m in materials if m.role == "test"), key=lambda m: m.code)
    bare = [m for m in tested if not m.is_coated and m.components]
    pairs = []
    for coated in (m for m in tested if m.is_coated and m.components):
        apart = [(_apart(coated, other), other.code) for other in bare if other.form == coated.form]
        near = [found for found in apart if found[0] <= SAME_SHARE_POINTS]
        if near:
            pairs.append(CoatedPair(coated.code, min(near)[1]))
    return tuple(pairs)


def _apart(one: MaterialFacts, other: MaterialFacts) -> float:
    """Largest difference of a share, the coating left out; infinite with other components."""
    mine, theirs = _uncoated_shares(one), _uncoated_shares(other)
    if mine.keys() != theirs.keys() or not mine:
        return float("inf")
    return max(abs(share - theirs[name]) for name, share in mine.items())


def _uncoated_shares(material: MaterialFacts) -> dict[str, float]:
    kept = [c for c in material.components if c.function != COATING]
    total = sum(c.mass_pct for c in kept)
    return {c.name: 100.0 * c.mass_pct / total for c in kept} if total > 0 else {}


def _base_and_filler(material: MaterialFacts) -> tuple[str, str | None, float] | None:
    """Base, filler (None without) and its percentage; None when it belongs to no family."""
    if material.role != "test" or material.is_coated:
        return None
    # Shares may add up to 99 or 101.
    total = sum(c.mass_pct for c in material.components)
    solid = [c for c in material.components if c.function in SOLID]
    if not solid or total <= 0:
        return None
    base = max(solid, key=lambda c: (c.mass_pct, c.name))
    if base.mass_pct < LEAST_BASE_PCT * total / 100.0:
        return None
    rest = [c for c in material.components if c is not base]
    polymers = sum(c.mass_pct for c in rest if c.function == "polymer")
    fillers = [
        (c.name, 100.0 * c.mass_pct / total)
        for c in rest
        if c.function in FILLERS and 100.0 * c.mass_pct / total >= LEAST_FILLER_PCT
    ]
    if 100.0 * polymers / total > MOST_OTHER_POLYMER_PCT or len(fillers) > 1:
        return None
    name, share = fillers[0] if fillers else (None, 0.0)
    return base.name, name, share
