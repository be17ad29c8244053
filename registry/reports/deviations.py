"""Section on what went otherwise than planned: off plan, lost, excluded, flagged, corrected."""

from collections.abc import Sequence

import pandas as pd

from registry.paper.blocks import Block, heading, paragraph, table
from registry.reports.design import pile_name
from registry.reports.facts import ReportFacts
from registry.reports.numbers import NONE, counted, text

# Longer lists stand in the data package; the report says how much it leaves out.
MOST_ROWS = 40
BAG_KEY = ["trial", "bag_label"]


def deviations(report: ReportFacts) -> list[Block]:
    bags = last_looks(report)
    return [
        heading("Deviations from the plan"),
        paragraph(
            "A lost or damaged bag is missing, never zero; an intact bag with nothing in it is a "
            "true zero. Nothing is deleted: what was left out is named with its reason."
        ),
        _by_site(report, bags),
        *_off_plan(bags),
        *_losses(bags),
        *_excluded(report),
        *_flags(report),
        *_corrections(report),
    ]


def last_looks(report: ReportFacts) -> pd.DataFrame:
    """Every sample bag with its last look that took it out, `outcome` blank where there is none.

    `off` is days after the planned day, `late` and `early` beyond the window.
    """
    bags = report.tables["bags"]
    bags = bags[bags["purpose"].fillna("sample").eq("sample")]
    looks = report.tables["retrievals"]
    taken = looks[looks["outcome"].ne("looked_at")].sort_values("retrieved_on")
    taken = taken.drop_duplicates(BAG_KEY, keep="last")
    kept = [*BAG_KEY, "outcome", "retrieved_on", "excluded", "upper_limit"]
    found = bags.merge(taken[kept], on=BAG_KEY, how="left")
    elapsed = pd.to_datetime(found["retrieved_on"]) - pd.to_datetime(found["buried_on"])
    found["off"] = elapsed.dt.days - pd.to_numeric(found["planned_days"])
    window = int(report.tables["trials"].iloc[0]["window_days"])
    return found.assign(late=found["off"] > window, early=found["off"] < -window)


def _by_site(report: ReportFacts, bags: pd.DataFrame) -> Block:
    looks = report.tables["retrievals"]
    in_place = looks[looks["outcome"].eq("looked_at")]["site"].value_counts()
    out = looks[looks["excluded"].astype(bool)]["site"].value_counts()
    rows = []
    for site, group in bags.groupby("site"):
        outcome = group["outcome"]
        counts = [
            len(group),
            int(outcome.isin(["recovered", "nothing_left"]).sum()),
            *(int(outcome.eq(word).sum()) for word in ("nothing_left", "bag_lost", "bag_damaged")),
            int(outcome.isna().sum()),
            int(group["early"].sum()),
            int(group["late"].sum()),
            int(in_place.get(site, 0)),
            int(out.get(site, 0)),
        ]
        rows.append((str(site), counts))
    total = [sum(column) for column in zip(*(counts for _, counts in rows), strict=True)]
    shown = [*rows, ("All", total)] if rows else []
    titles = (
        *("Bags", "Recovered or gone", "of these nothing left", "Lost", "Damaged"),
        *("No look yet", "Early", "Late", "Scored in place (looks)", "Excluded (looks)"),
    )
    return table(
        "Bags of each site and what became of them.",
        (("Site", "l"), *((title, "r") for title in titles)),
        [(site, *map(str, counts)) for site, counts in shown],
    )


def _off_plan(bags: pd.DataFrame) -> list[Block]:
    moved = bags[bags["late"] | bags["early"]]
    groups = [
        (pile_name({"site": site, "pile": pile}), f"{day:g}", str(len(group)), _days(group["off"]))
        for (site, pile, day), group in moved.groupby(["site", "pile", "planned_days"])
    ]
    columns = (("Pile", "l"), ("Planned day", "r"), ("Bags", "r"), ("Days off plan", "w"))
    return _listed("Late and early", "Bags lifted outside the window.", columns, groups)


def _days(off: pd.Series) -> str:
    low, high = int(off.min()), int(off.max())
    said = f"{low:+d}" if low == high else f"{low:+d} to {high:+d}"
    return said.replace("-", "−")


def _losses(bags: pd.DataFrame) -> list[Block]:
    rows = []
    for material, group in bags.groupby("material"):
        lost = int(group["outcome"].eq("bag_lost").sum())
        damaged = int(group["outcome"].eq("bag_damaged").sum())
        if lost + damaged:
            share = f"{100 * (lost + damaged) / len(group):.1f} %"
            rows.append((str(material), str(len(group)), str(lost), str(damaged), share))
    columns = (("Material", "w"), ("Bags", "r"), ("Lost", "r"), ("Damaged", "r"), ("Share", "r"))
    return _listed("Lost and damaged", "Missing bags of each material.", columns, rows)


def _excluded(report: ReportFacts) -> list[Block]:
    looks = report.tables["retrievals"]
    out = looks[looks["excluded"].astype(bool)].sort_values(["site", "pile", "bag_label", "day"])
    rows = [
        (row["bag_label"], pile_name(row), row["material"],
         text(row["retrieved_on"]), text(row["exclusion_reason"]))
        for row in out.to_dict("records")
    ]  # fmt: skip
    columns = (("Bag", "l"), ("Pile", "l"), ("Material", "l"), ("Looked at", "l"), ("Reason", "w"))
    return _listed("Excluded", "Looks left out of pooling, each with its reason.", columns, rows)


def _flags(report: ReportFacts) -> list[Block]:
    flags = report.tables["flags"]
    words = ("waiting", "accept", "exclude", "withdrawn")
    rows = [
        (
            str(code).replace("_", " "),
            str(group.iloc[0]["message"]),
            *(str(int(group["decision"].eq(word).sum())) for word in words),
        )
        for code, group in flags.groupby("code")
    ]
    columns = (
        *(("Finding", "l"), ("For instance", "w"), ("Waiting", "r")),
        *(("Accepted", "r"), ("Excluded", "r"), ("Withdrawn", "r")),
    )
    return _listed("Findings of the quality rules", "A finding is a question.", columns, rows)


def _corrections(report: ReportFacts) -> list[Block]:
    rows = [
        (row["bag_label"], text(row["retrieved_on"]), row["field"], text(row["old_value"]),
         text(row["new_value"]), row["reason"])
        for row in report.tables["corrections"].to_dict("records")
    ]  # fmt: skip
    columns = (("Bag", "l"), ("Looked at", "l"), ("Field", "l"), ("Before", "l"), ("After", "l"))
    caption = "Values changed after they were sent."
    return _listed("Corrections", caption, (*columns, ("Reason", "w")), rows)


def _listed(
    title: str, caption: str, columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[object]]
) -> list[Block]:
    """A table of at most `MOST_ROWS`, or the word that there is nothing to list."""
    if not rows:
        return [heading(title, 2), paragraph("None.")]
    left = len(rows) - MOST_ROWS
    if left > 0:
        caption += f" The first {MOST_ROWS}; {counted(left, 'more is', 'more are')} in the data."
    cells = [[str(cell) if cell is not None else NONE for cell in row] for row in rows[:MOST_ROWS]]
    return [heading(title, 2), table(caption, columns, cells)]
