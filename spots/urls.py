"""Addresses of waters and spots."""

from django.urls import path

from spots import api

urlpatterns = [
    path("api/waters/", api.WatersView.as_view()),
    path("api/waters/<uuid:key>/", api.WaterView.as_view()),
    path("api/waters/<uuid:key>/chart/", api.WaterChartView.as_view()),
]
