"""The client as a lab has it: one file, loaded from where it lies, part of no package."""

import importlib.util
from pathlib import Path

CLIENT_FILE = Path(__file__).parents[2] / "api" / "client" / "coheap_client.py"
_spec = importlib.util.spec_from_file_location("coheap_client", CLIENT_FILE)
client = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(client)
