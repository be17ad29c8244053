"""Forest plot: each site's own estimate, the shrunken one, the pooled mean and a new site."""

from dataclasses import dataclass

import altair as alt

from registry.charts.axes import log_domain, log_ticks
from registry.charts.house_style import CLAY, INK, MOSS, PAPER, SMALL_TEXT_PX
from registry.charts.svg import Caption, draw

# On a narrow drawing a site's name stands above its row, so that the row has the whole width.
ROW_PX = {"wide": 30, "narrow": 46}
LABEL_PX = 190
PLOT_PX = {"wide": 420, "narrow": 268}
NAME_ABOVE_PX = -16


@dataclass(frozen=True, slots=True)
class ForestSite:
    """One site's row; None where the site has no rate of its own, or only a bound."""

    label: str
    estimate: float | None
    low: float | None
    high: float | None
    shrunken: float | None
    weight_pct: float | None


@dataclass(frozen=True, slots=True)
class ForestPooled:
    """The pooled mean with its interval, and the interval for a new site (None if refused).

    A blank label leaves its row out.
    """

    mean_label: str
    new_label: str
    estimate: float | None
    low: float | None
    high: float | None
    new_low: float | None
    new_high: float | None


def forest_plot(
    sites: tuple[ForestSite, ...],
    pooled: ForestPooled,
    *,
    axis_title: str,
    caption: Caption,
    width: str = "wide",
    label_px: int = LABEL_PX,
) -> str:
    """SVG on a logarithmic axis, values > 0. `width` is "wide" (640 px) or "narrow" (288 px);
    `label_px` is the room for names in a wide one."""
    domain = log_domain(_all_values(sites, pooled))
    pooled_labels = [label for label in (pooled.mean_label, pooled.new_label) if label]
    labels = [*(site.label for site in sites), *pooled_labels]
    x = alt.X(
        "value:Q",
        title=axis_title,
        scale=alt.Scale(type="log", domain=domain, nice=False),
        axis=alt.Axis(
            values=log_ticks(*domain, at_most=7 if width == "wide" else 4), format="~r", grid=True
        ),
    )
    y = _rows(labels, width, label_px)
    layers = [
        *_mean_line(pooled, x),
        *_site_layers(sites, x, y, domain),
        *_pooled_layers(pooled, x, y),
        *(_names_above(labels, y) if width == "narrow" else []),
    ]
    height = ROW_PX[width] * len(labels)
    return draw(alt.layer(*layers).properties(width=PLOT_PX[width], height=height), caption)


def _rows(labels: list[str], width: str, label_px: int) -> alt.Y:
    beside = alt.Axis(domain=False, ticks=False, labelLimit=label_px, minExtent=label_px)
    return alt.Y(
        "label:N",
        title=None,
        sort=None,
        scale=alt.Scale(domain=labels, paddingInner=0, paddingOuter=0),
        axis=beside if width == "wide" else None,
    )


def _names_above(labels: list[str], y: alt.Y) -> list[alt.Chart]:
    names = _chart([{"label": label} for label in labels])
    text = names.mark_text(align="left", dy=NAME_ABOVE_PX, fontSize=SMALL_TEXT_PX, color=INK)
    return [text.encode(y=y, x=alt.value(0), text="label:N")]


def _all_values(sites: tuple[ForestSite, ...], pooled: ForestPooled) -> list[float | None]:
    own = [v for s in sites for v in (s.estimate, s.low, s.high, s.shrunken)]
    return [*own, pooled.estimate, pooled.low, pooled.high, pooled.new_low, pooled.new_high]


def _chart(rows: list[dict[str, object]]) -> alt.Chart:
    return alt.Chart(alt.Data(values=rows))


def _mean_line(pooled: ForestPooled, x: alt.X) -> list[alt.Chart]:
    if pooled.estimate is None:
        return []
    rows: list[dict[str, object]] = [{"value": pooled.estimate}]
    return [_chart(rows).mark_rule(color=CLAY, strokeDash=[2, 3]).encode(x=x)]


def _site_layers(
    sites: tuple[ForestSite, ...], x: alt.X, y: alt.Y, domain: tuple[float, float]
) -> list[alt.Chart]:
    spans: list[dict[str, object]] = [
        {"label": s.label, "value": s.low or domain[0], "to": s.high or domain[1]}
        for s in sites
        if s.low is not None or s.high is not None
    ]
    own: list[dict[str, object]] = [
        {"label": s.label, "value": s.estimate, "size": 40 + 5 * (s.weight_pct or 0)}
        for s in sites
        if s.estimate is not None
    ]
    shrunken: list[dict[str, object]] = [
        {"label": s.label, "value": s.shrunken} for s in sites if s.shrunken is not None
    ]
    return [
        _chart(spans).mark_rule(color=INK, strokeWidth=1.5).encode(x=x, x2="to:Q", y=y),
        _chart(own)
        .mark_point(shape="square", filled=True, color=INK, opacity=1)
        .encode(x=x, y=y, size=alt.Size("size:Q", scale=None)),
        _chart(shrunken)
        .mark_point(shape="circle", fill=PAPER, stroke=MOSS, strokeWidth=2, size=70, opacity=1)
        .encode(x=x, y=y),
    ]


def _pooled_layers(pooled: ForestPooled, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    mean: list[dict[str, object]] = [
        {
            "label": pooled.mean_label,
            "value": pooled.low or pooled.estimate,
            "to": pooled.high or pooled.estimate,
        }
    ]
    point: list[dict[str, object]] = [{"label": pooled.mean_label, "value": pooled.estimate}]
    new: list[dict[str, object]] = [
        {"label": pooled.new_label, "value": pooled.new_low, "to": pooled.new_high}
    ]
    layers = []
    if pooled.estimate is not None:
        layers += [
            _chart(mean).mark_rule(color=CLAY, strokeWidth=3).encode(x=x, x2="to:Q", y=y),
            _chart(point)
            .mark_point(shape="diamond", filled=True, color=CLAY, size=180, opacity=1)
            .encode(x=x, y=y),
        ]
    if pooled.new_low is not None and pooled.new_high is not None:
        layers.append(
            _chart(new)
            .mark_rule(color=CLAY, strokeWidth=3, strokeDash=[7, 4])
            .encode(x=x, x2="to:Q", y=y)
        )
    return layers
