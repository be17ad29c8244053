"""A bar of progress, for commands."""

BAR_WIDTH = 30


def progress_bar(done: int, total: int, *, before: str = "", after: str = "") -> str:
    """One line of fixed width; `done` of `total`, nothing of nothing is empty."""
    filled = round(done / total * BAR_WIDTH) if total else 0
    bar = "█" * filled + "·" * (BAR_WIDTH - filled)
    return f"{before}{bar} {done}/{total} {after}".ljust(78)
