"""The first questions to a body: which format, and is it text at all."""

from registry.errors import UnreadableBody, UnsupportedFormat

CSV = "text/csv"
JSON = "application/json"
NDJSON = "application/x-ndjson"
FORMATS = (CSV, JSON, NDJSON)

UTF8_MARK = b"\xef\xbb\xbf"
UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
GZIP_MARK = b"\x1f\x8b"
# Both kinds of workbook: a zip of XML, and the older compound file.
WORKBOOK_MARKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def format_of(content_type: str) -> str:
    """The format a Content-Type names; raises UnsupportedFormat."""
    name, _, parameters = content_type.partition(";")
    name = name.strip().lower()
    if name not in FORMATS:
        raise UnsupportedFormat(
            f"{name or 'No content type'} is not taken here; send {', '.join(FORMATS)}."
        )
    charset = _charset(parameters)
    if charset not in ("", "utf-8", "utf8", "us-ascii"):
        raise UnsupportedFormat(f"The encoding {charset} is not taken here; save as UTF-8.")
    return name


def _charset(parameters: str) -> str:
    for part in parameters.split(";"):
        key, _, value = part.partition("=")
        if key.strip().lower() == "charset":
            return value.strip().strip('"').lower()
    return ""


def require_text(body: bytes) -> bytes:
    """The body without its byte-order mark; raises UnreadableBody when it is not UTF-8 text."""
    if body.startswith(GZIP_MARK):
        raise UnreadableBody(
            "The body is compressed; send it with the header Content-Encoding: gzip.",
            code="compressed_body",
        )
    if body.startswith(WORKBOOK_MARKS):
        raise UnreadableBody(
            "This is a spreadsheet's own file. In the spreadsheet choose Save as, CSV UTF-8, and "
            "send that file.",
            code="spreadsheet_file",
        )
    if body.startswith(UTF16_MARKS):
        raise UnreadableBody(
            "The file is UTF-16 text. Save it again as CSV UTF-8 (comma-separated).",
            code="not_utf8",
        )
    text = body[len(UTF8_MARK) :] if body.startswith(UTF8_MARK) else body
    if not text or text.isspace():
        raise UnreadableBody("The file is empty.", code="empty_body")
    if b"\0" in text:
        line = text.count(b"\n", 0, text.index(b"\0")) + 1
        raise UnreadableBody(
            f"Line {line} holds NUL bytes: the file was damaged, or is not a text file. Export it "
            "again from its source.",
            code="nul_bytes",
        )
    _require_utf8(text)
    return text


def _require_utf8(text: bytes) -> None:
    if text.isascii():
        return
    try:
        text.decode("utf-8")
    except UnicodeDecodeError as error:
        line = text.count(b"\n", 0, error.start) + 1
        raise UnreadableBody(
            f"Line {line} holds a character that is not UTF-8 (byte 0x{text[error.start]:02x}). "
            "Save the file as CSV UTF-8.",
            code="not_utf8",
        ) from None
