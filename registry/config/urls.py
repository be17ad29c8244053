"""Every address: health for load balancers, the API, the read-only admin, the pages."""

from django.contrib import admin
from django.urls import include, path

from registry.config import health

urlpatterns = [
    path("health/live", health.live, name="health-live"),
    path("health/ready", health.ready, name="health-ready"),
    path("api/v1/", include("api.v1.urls")),
    path("admin/", admin.site.urls),
    path("", include("frontend.urls")),
]
