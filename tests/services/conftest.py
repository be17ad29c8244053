from tests.intake.conftest import _own_folder, _today, places, planted, stored

__all__ = ["_own_folder", "_today", "places", "planted", "stored"]
