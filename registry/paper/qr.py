"""QR codes (ISO/IEC 18004) that still read when the label is wet, scratched or half muddy."""

import io

import segno

# Level Q gives back a quarter of the symbol: a thumb of mud or a drop on it. Level H would give
# back 30 %, but takes a symbol nine per cent wider for our addresses, so smaller modules on the
# same label, which a phone behind a wet lens loses first. H also takes twice the time to make.
ERROR_CORRECTION = "Q"
# Any of the eight masks decodes. Trying all of them takes six sevenths of the time of a symbol.
MASK = 2
# The standard asks for four modules of white around a symbol.
QUIET_MODULES = 4


def qr_svg(text: str) -> str:
    """The symbol of `text` with its quiet zone, one unit a module."""
    symbol = segno.make(text, error=ERROR_CORRECTION, boost_error=False, mask=MASK, micro=False)
    drawn = io.BytesIO()
    symbol.save(drawn, kind="svg", border=QUIET_MODULES, xmldecl=False, omitsize=True)
    return drawn.getvalue().decode()


def modules_across(text: str) -> int:
    """How many modules wide the symbol of `text` is, quiet zone included."""
    symbol = segno.make(text, error=ERROR_CORRECTION, boost_error=False, mask=MASK, micro=False)
    return int(symbol.symbol_size(border=QUIET_MODULES)[0])
