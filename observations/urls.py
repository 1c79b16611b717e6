"""Addresses of the chart, spot sheets, looks, proofs and histories."""

from django.urls import URLPattern, URLResolver, path

from observations import api_spots

urlpatterns: list[URLPattern | URLResolver] = [
    path("api/spots/", api_spots.SpotsView.as_view()),
    path("api/spots/<uuid:key>/", api_spots.SpotView.as_view()),
    path("api/spots/<uuid:key>/history/", api_spots.HistoryView.as_view()),
]
