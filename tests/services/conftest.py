from tests.intake.conftest import after_the_trial, own_folder, places, planted, stored

__all__ = ["after_the_trial", "own_folder", "places", "planted", "stored"]
