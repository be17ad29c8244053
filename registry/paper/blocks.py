"""What a printed document is made of: headings, paragraphs, lists, tables, figures. Words only; the
template `document.typ` gives them their looks."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from registry.paper.typeset import typeset

Block = dict[str, Any]
Columns = Sequence[tuple[str, str]]
Cells = Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Drawing:
    """An SVG, what it shows for those who cannot see it, and its share of the width."""

    svg: str
    alt: str
    caption: str
    share: float = 1.0


def heading(words: str, level: int = 1) -> Block:
    return {"kind": "heading", "level": level, "words": words}


def paragraph(words: str) -> Block:
    return {"kind": "paragraph", "words": words}


def bullets(lines: Sequence[str]) -> Block:
    return {"kind": "bullets", "lines": list(lines)}


def note(title: str, lines: Sequence[str]) -> Block:
    """What must not be overlooked, in a frame."""
    return {"kind": "note", "title": title, "lines": list(lines)}


def facts(caption: str, pairs: Sequence[tuple[str, str]]) -> Block:
    """A table of two columns, the name of the fact and the fact."""
    return table(caption, (("", "l"), ("", "w")), [*pairs]) | {"kind": "facts"}


def table(caption: str, columns: Columns, rows: Cells) -> Block:
    """`columns` are titles with "l" or "r" for the side they keep to, or "w" for long text."""
    return {
        "kind": "table",
        "caption": caption,
        "titles": [title for title, _ in columns],
        "sides": [side for _, side in columns],
        "rows": [list(row) for row in rows],
    }


def figures(drawn: Sequence[Drawing]) -> Block:
    """Drawings beside one another, each with its share of the width."""
    return {"kind": "figures", "figures": [asdict(one) for one in drawn]}


def document_pdf(
    *, title: str, subtitle: str, running: str, foot: str, blocks: Sequence[Block]
) -> bytes:
    """PDF of a document on A4: `running` stands over every page but the first, `foot` under all."""
    return typeset(
        "document",
        {
            "title": title,
            "subtitle": subtitle,
            "running": running,
            "foot": foot,
            "blocks": list(blocks),
        },
    )
