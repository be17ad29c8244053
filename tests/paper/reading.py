"""Reads a PDF or a picture back: its words, and the QR codes on it."""

import io

import numpy as np
import zxingcpp
from PIL import Image
from pypdf import PdfReader


def pages_of(pdf: bytes) -> list[str]:
    """The words of every page, one space between them."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages]


def codes_on(picture: bytes) -> list[str]:
    """What every QR code on a picture says, from the top."""
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("L"))
    found = zxingcpp.read_barcodes(pixels, formats=zxingcpp.BarcodeFormat.QRCode)
    return [code.text for code in sorted(found, key=lambda code: code.position.top_left.y)]
