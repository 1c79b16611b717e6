"""The root of all addresses. Nothing imports this file; it puts the apps together."""

from django.urls import URLPattern, URLResolver, include, path
from drf_spectacular.views import SpectacularAPIView

handler404 = "club.api_errors.not_found"

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/schema/", SpectacularAPIView.as_view()),
    path("", include("club.people_urls")),
    path("", include("observations.ceiling_urls")),
    path("", include("observations.refit_urls")),
    path("", include("spots.urls")),
    path("", include("observations.urls")),
    path("", include("observations.api_urls")),
    path("", include("observations.outbox_urls")),
    path("", include("observations.log_urls")),
    path("", include("observations.debrief_urls")),
    path("", include("observations.files_urls")),
    path("", include("observations.event_urls")),
    path("", include("observations.clearing_urls")),
    path("", include("observations.leaving_urls")),
]
