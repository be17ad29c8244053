"""Composition: it alone knows every part. Loading it makes Celery's application current."""

from registry.config.celery import app as celery_app

__all__ = ["celery_app"]
