"""Printed matter: processor time of labels and sheets, printed as one table.

    python -m tests.bench.bench_paper [--repeats 3]

The bar is the project's own: 300 labels within a second of processor time on one thread, so that
they may be made while a browser waits.
"""

import argparse
import time
from collections.abc import Callable
from datetime import date

from registry.paper.labels import BagLabel, bag_labels
from registry.paper.retrieval_sheet import Sheet, SheetBag, retrieval_sheets

BAR_SECONDS = 1.0
N_LABELS = 300
DUE = date(2026, 5, 5)


def labels() -> bytes:
    bags = [
        BagLabel("POTS-2026", f"N1-COIR-POT-28-{n}", "NORTH", "P1", "COIR-POT", "sample", 28, DUE)
        for n in range(N_LABELS)
    ]
    return bag_labels(bags, base_url="https://registry.institute.example")


def sheets() -> bytes:
    bags = tuple(SheetBag(f"N1-COIR-POT-28-{n}", "COIR-POT", "sample") for n in range(50))
    sheet = Sheet("POTS-2026", "Pots", "NORTH", "North yard", "P1", 28, DUE, DUE, 2, bags)
    return retrieval_sheets([sheet] * 6)


def quickest(work: Callable[[], bytes], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3)
    repeats = parser.parse_args().repeats
    for name, work in ((f"{N_LABELS} labels", labels), ("6 sheets of 50 bags", sheets)):
        seconds = quickest(work, repeats)
        met = "yes" if seconds <= BAR_SECONDS else "NO"
        print(f"{name:24}{seconds:6.2f} s   at most {BAR_SECONDS:.0f} s   {met}")


if __name__ == "__main__":
    main()
