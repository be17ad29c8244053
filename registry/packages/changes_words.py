"""`CHANGES.md`: what a release changes against the one before it, in words."""

from collections.abc import Iterator, Mapping
from typing import Any

from registry.packages.estimates import label
from registry.packages.meta import ReleaseMeta

# More than anyone reads; the whole list is in changes.json.
MOST_LISTED = 200


def changes_md(meta: ReleaseMeta, changes: Mapping[str, Any]) -> str:
    lines = [f"# Changes in {meta.full_title}", "", *([meta.notes, ""] if meta.notes else [])]
    if changes["previous_version"] is None:
        return "\n".join([*lines, "There is no version before this one to compare with.", ""])
    lines += [f"Compared with version {changes['previous_version']}.", "", *_rows(changes)]
    lines += ["", "## Looks corrected", "", *_corrected(changes["looks"]["corrected"])]
    lines += ["", "## Looks excluded or taken back", "", *_switched(changes["looks"])]
    lines += ["", "## Estimates that moved", "", *_moved(changes["estimates"]), ""]
    return "\n".join(lines)


def _rows(changes: Mapping[str, Any]) -> Iterator[str]:
    yield "| table | rows added | removed | changed |"
    yield "|---|---|---|---|"
    for table, count in changes["tables"].items():
        yield f"| {table} | {count['added']} | {count['removed']} | {count['changed']} |"


def _corrected(cells: list[Mapping[str, Any]]) -> Iterator[str]:
    for cell in cells[:MOST_LISTED]:
        was, became = _said(cell["before"]), _said(cell["after"])
        yield f"- {_look(cell)}: {cell['field']} {was} → {became}"
    yield from _rest(cells)


def _switched(looks: Mapping[str, Any]) -> Iterator[str]:
    for look in looks["newly_excluded"][:MOST_LISTED]:
        yield f"- {_look(look)}: excluded, {_said(look['reason'])}"
    for look in looks["taken_back_in"][:MOST_LISTED]:
        yield f"- {_look(look)}: taken back in"
    yield from _rest(looks["newly_excluded"] + looks["taken_back_in"])


def _moved(estimates: Mapping[str, Any]) -> Iterator[str]:
    if estimates["moved"]:
        yield "| estimate | before | after | change | in standard errors |"
        yield "|---|---|---|---|---|"
    for item in estimates["moved"]:
        before, after = item["before"]["estimate"], item["after"]["estimate"]
        yield (
            f"| {label(item)} | {_short(before)} | {_short(after)} {item['unit']} "
            f"| {_signed(item['change_pct'], ' %')} "
            f"| {_signed(item['change_in_standard_errors'])} |"
        )
    if estimates["moved"]:
        yield ""
    yield f"{estimates['unmoved']} estimates did not move."
    for word in ("added", "removed"):
        for item in estimates[word]:
            yield f"- {word}: {label(item)}"


def _look(item: Mapping[str, Any]) -> str:
    return f"{item['bag_label']} on {item['retrieved_on']}"


def _said(value: Any) -> str:
    return "blank" if value is None else str(value)


def _short(value: float | None) -> str:
    return "not estimable" if value is None else f"{value:.4g}"


def _signed(value: float | None, unit: str = "") -> str:
    return "–" if value is None else f"{value:+.2g}{unit}"


def _rest(items: list[Any]) -> Iterator[str]:
    if not items:
        yield "None."
    elif len(items) > MOST_LISTED:
        yield f"- … {len(items)} in all; `changes.json` lists every one."
