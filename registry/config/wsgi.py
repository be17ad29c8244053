"""The web application, as a WSGI server loads it."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "registry.config.settings")

application = get_wsgi_application()
# Load every view now, before the server forks: the first visitor should not wait for it.
_ = get_resolver().url_patterns
