"""From the weighings of a bag to the fraction that remains.

    m0   oven-dry start mass, g     = initial mass · (1 - moisture), moisture on wet basis
    m    oven-dry residue, g
    r    remaining = m / m0;  disintegration = 100·(1 - r) per cent. Never clipped.

Adhering compost, ash as the marker (a: ash fraction of the oven-dry residue, of the material at the
start, of the compost that got in):

    φ = (a_residue - a_contaminant) / (a_start - a_contaminant),      corrected r = φ·m / m0

The same in ash-free dry mass (1 - a). To first order the errors of the three ash values give

    ∂φ/∂a_residue = 1/Δ,  ∂φ/∂a_start = -φ/Δ,  ∂φ/∂a_contaminant = (φ-1)/Δ
    with Δ = a_start - a_contaminant

Compost is itself largely organic, so Δ is small and the correction leans on it: it is refused when
|Δ| is under 20 points or φ falls outside 0-1. Carbonate filler dissolves in acid compost, so ash is
not conserved there and the correction does not apply.

References: Blair (1988) Soil Biol. Biochem. 20, 693-701 (ash correction of litterbags; formula from
memory); Potthoff and Loftfield (1998) Pedobiologia 42, 147-153 (ash as marker; abstract seen).
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from registry.science.types import BoolArray, FloatArray, IntArray, ScienceError

# A bag cannot gain mass; 5 % allows for weighing and moisture (common practice, no source).
UPPER_LIMIT_ABOVE = 1.05
# Endmembers closer than this magnify every ash error more than five-fold (common practice).
LEAST_ASH_CONTRAST = 0.20
# Repeatability of loss on ignition, ash fraction (common practice, no source).
ASH_SD = 0.01
# Compost varies within a pile far more than a furnace does (common practice, no source).
CONTAMINANT_ASH_SD = 0.03
# With fewer travel bags their mean is shown but nothing is corrected by it.
MIN_TRAVEL_BAGS = 3
# Simulated home-compost sieve test: parallel samples differ by at most 20 points
# (BS EN 17428:2023, read in a summary).
REPLICATE_LIMIT_POINTS = 20.0


class AshRefusal(IntEnum):
    """Why an ash correction was or was not made."""

    CORRECTED = 0
    NO_ASH = 1
    FRACTION_ABOVE_ONE = 2
    FRACTION_BELOW_ZERO = 3
    ENDMEMBERS_TOO_CLOSE = 4
    ASH_NOT_CONSERVED = 5


@dataclass(frozen=True)
class AshCorrection:
    """Fraction of the residue that is specimen, its standard deviation, and what was decided; (n,).

    `fraction` and `sd` are nan wherever `refusal` is not CORRECTED.
    """

    fraction: FloatArray
    sd: FloatArray
    refusal: IntArray


@dataclass(frozen=True)
class BagMasses:
    """Weighings of many looks, nan where missing; all (n,); masses in g, the rest fractions.

    residue_moisture : wet basis, needed only where there is no dry mass.
    ash_conserved : False for materials whose filler dissolves in compost (carbonates).
    """

    initial_mass_g: FloatArray
    initial_moisture: FloatArray
    dry_mass_g: FloatArray
    wet_mass_g: FloatArray
    residue_moisture: FloatArray
    initial_ash: FloatArray
    residue_ash: FloatArray
    contaminant_ash: FloatArray
    ash_conserved: BoolArray


@dataclass(frozen=True)
class MassBalance:
    """Remaining fraction of many looks; all (n,), nan where nothing was weighed.

    Attributes
    ----------
    remaining : ash-corrected where that was accepted, else uncorrected.
    uncorrected : m / m0.
    sd : standard deviation of `remaining` due to the ash correction, else 0.
    ash_corrected : whether `remaining` is ash-corrected.
    upper_limit : uncorrected above 105 %: only an upper limit of what is left.
    refusal : `AshRefusal` codes.
    """

    remaining: FloatArray
    uncorrected: FloatArray
    sd: FloatArray
    ash_corrected: BoolArray
    upper_limit: BoolArray
    refusal: IntArray


@dataclass(frozen=True)
class HandlingLoss:
    """Mean fraction left in travel bags (buried and lifted on day 0); se is nan for one bag."""

    remaining: float
    standard_error: float
    n_bags: int

    @property
    def corrects(self) -> bool:
        """Whether there are enough travel bags to correct by."""
        return self.n_bags >= MIN_TRAVEL_BAGS


def moisture_wet_basis(wet_g: FloatArray, dry_g: FloatArray) -> FloatArray:
    """Moisture as a fraction of the wet mass."""
    return (np.asarray(wet_g, float) - dry_g) / wet_g


def moisture_dry_basis(wet_g: FloatArray, dry_g: FloatArray) -> FloatArray:
    """Moisture as a fraction of the dry mass: above 1 for wet things, not to be mixed up."""
    return (np.asarray(wet_g, float) - dry_g) / dry_g


def oven_dry_mass_g(mass_g: FloatArray, moisture: FloatArray) -> FloatArray:
    """Oven-dry mass of something weighed moist; `moisture` is a wet-basis fraction in [0, 1)."""
    moisture = np.asarray(moisture, float)
    if ((moisture < 0) | (moisture >= 1)).any():
        raise ScienceError("Moisture must be a wet-basis fraction from 0 to below 1.")
    return np.asarray(mass_g, float) * (1.0 - moisture)


def disintegration_pct(remaining: FloatArray) -> FloatArray:
    """Per cent of the start mass lost; negative where a bag weighs more than it did."""
    return 100.0 * (1.0 - np.asarray(remaining, float))


def reaches_target(remaining: FloatArray, lost: float = 0.9) -> BoolArray:
    """Whether the loss reaches `lost`; exactly that much counts (EN 13432 summaries differ)."""
    # A residue of 1.0 g of 10.0 g is a loss of exactly 90 %, whatever the last binary digit says.
    return np.asarray(np.asarray(remaining, float) <= (1.0 - lost) * (1.0 + 1e-9))


def ash_fraction(
    crucible_g: FloatArray, with_sample_g: FloatArray, with_ash_g: FloatArray
) -> FloatArray:
    """Ash as a fraction of the dry sample, from three weighings of a crucible."""
    sample = np.asarray(with_sample_g, float) - crucible_g
    if (sample <= 0).any():
        raise ScienceError("The crucible with the sample must weigh more than the empty one.")
    return (np.asarray(with_ash_g, float) - crucible_g) / sample


def correct_for_compost(
    residue_ash: FloatArray,
    start_ash: FloatArray,
    contaminant_ash: FloatArray,
    *,
    ash_conserved: BoolArray | bool = True,
    ash_sd: float = ASH_SD,
    contaminant_sd: float = CONTAMINANT_ASH_SD,
) -> AshCorrection:
    """Fraction of a residue that is specimen, not compost; all ash fractions of dry mass, (n,)."""
    r, s, c = np.broadcast_arrays(
        *(np.asarray(x, float) for x in (residue_ash, start_ash, contaminant_ash))
    )
    contrast = s - c
    with np.errstate(divide="ignore", invalid="ignore"):
        fraction = (r - c) / contrast
        variance = ash_sd**2 * (1.0 + fraction**2) + (contaminant_sd * (fraction - 1.0)) ** 2
        sd = np.sqrt(variance) / np.abs(contrast)
    known = np.isfinite(r) & np.isfinite(s) & np.isfinite(c)
    refusal = np.select(
        [
            ~known,
            ~np.broadcast_to(np.asarray(ash_conserved, bool), r.shape),
            np.abs(contrast) < LEAST_ASH_CONTRAST - 1e-12,
            fraction > 1.0,
            fraction < 0.0,
        ],
        [
            AshRefusal.NO_ASH,
            AshRefusal.ASH_NOT_CONSERVED,
            AshRefusal.ENDMEMBERS_TOO_CLOSE,
            AshRefusal.FRACTION_ABOVE_ONE,
            AshRefusal.FRACTION_BELOW_ZERO,
        ],
        AshRefusal.CORRECTED,
    ).astype(np.int64)
    made = refusal == AshRefusal.CORRECTED
    return AshCorrection(np.where(made, fraction, np.nan), np.where(made, sd, np.nan), refusal)


def weigh(bags: BagMasses) -> MassBalance:
    """Remaining fraction of every look, corrected and uncorrected."""
    start = oven_dry_mass_g(bags.initial_mass_g, np.nan_to_num(bags.initial_moisture, nan=0.0))
    if not (start > 0).all():
        raise ScienceError("Every start mass must be above zero.")
    from_wet = np.asarray(bags.wet_mass_g, float) * (1.0 - bags.residue_moisture)
    residue = np.where(np.isnan(bags.dry_mass_g), from_wet, bags.dry_mass_g)
    uncorrected = residue / start
    ash = correct_for_compost(
        bags.residue_ash, bags.initial_ash, bags.contaminant_ash, ash_conserved=bags.ash_conserved
    )
    made = (ash.refusal == AshRefusal.CORRECTED) & np.isfinite(uncorrected)
    return MassBalance(
        remaining=np.where(made, ash.fraction * uncorrected, uncorrected),
        uncorrected=uncorrected,
        sd=np.where(made, ash.sd * uncorrected, 0.0),
        ash_corrected=made,
        upper_limit=~made & (uncorrected > UPPER_LIMIT_ABOVE),
        refusal=ash.refusal,
    )


def handling_loss(travel_remaining: FloatArray) -> HandlingLoss:
    """Mean and standard error of what travel bags still hold, (n,) with n >= 1."""
    n = len(travel_remaining)
    if n == 0:
        raise ScienceError("There are no travel bags.")
    spread = float(np.std(travel_remaining, ddof=1)) if n > 1 else np.nan
    return HandlingLoss(float(np.mean(travel_remaining)), spread / np.sqrt(n), n)


def replicates_agree(first_pct: FloatArray, second_pct: FloatArray) -> BoolArray:
    """Whether parallel samples lie within 20 points of each other."""
    difference = np.abs(np.asarray(first_pct, float) - second_pct)
    return np.asarray(difference <= REPLICATE_LIMIT_POINTS)
