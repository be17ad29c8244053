"""Rules for the start mix of a pile: C:N and moisture that usually compost well.

The acceptable ranges are those of `science.start_ranges`, with their sources. What the ingredient
lines do not tell breaks no rule.
"""

from registry.science.quality_rules.findings import Finding
from registry.science.recipe import Mix
from registry.science.start_ranges import CN_RATIO, MOISTURE

RECIPE_CODES = {
    "start_cn_out_of_range": "C:N of the start mix outside 20–40",
    "start_moisture_out_of_range": "moisture of the start mix outside 40–65 %",
}


def recipe_findings(pile: int, mix: Mix) -> list[Finding]:
    """Findings about the start mix of one pile."""
    found = []
    low, high = CN_RATIO.acceptable
    if mix.cn_ratio is not None and not low <= mix.cn_ratio <= high:
        found.append(
            Finding(
                code="start_cn_out_of_range",
                message=f"The start mix has a C:N of {mix.cn_ratio:.1f}, outside {low:g} to "
                f"{high:g}. Check masses, moisture, carbon and nitrogen of its ingredients; if "
                "they are right, expect a slow or smelly start.",
                pile=pile,
                unit="1",
                found=mix.cn_ratio,
                limit_low=low,
                limit_high=high,
            )
        )
    low, high = MOISTURE.acceptable
    if mix.moisture is not None and not low <= mix.moisture <= high:
        found.append(
            Finding(
                code="start_moisture_out_of_range",
                message=f"The start mix has {100 * mix.moisture:.0f} % moisture (wet basis), "
                f"outside {100 * low:.0f} to {100 * high:.0f} %. Check the moistures, which are of "
                "the wet mass, and the water added.",
                pile=pile,
                unit="%",
                found=100 * mix.moisture,
                limit_low=100 * low,
                limit_high=100 * high,
            )
        )
    return found
