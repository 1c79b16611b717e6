"""Addresses of the chart, spot sheets and histories."""

from django.urls import path

from observations import api_spots, lesson_views, measure_views, pages, season_views, tried_views, visit_views

urlpatterns = [
    path("", pages.chart),
    path("spots/<uuid:key>/", pages.spot_sheet),
    path("spots/<uuid:key>/panel/", pages.spot_panel),
    path("spots/<uuid:key>/side-by-side/", visit_views.side_by_side),
    path("spots/<uuid:key>/tried/", tried_views.tried),
    path("waters/<uuid:key>/tried/", tried_views.tried_on_water),
    path("measures/", measure_views.measures),
    path("season/", season_views.season_page),
    path("lessons/", lesson_views.lessons_page),
    path("lessons/mine/", lesson_views.mine),
    path("lessons/mine/<uuid:look_id>/", lesson_views.share),
    path("api/spots/", api_spots.SpotsView.as_view()),
    path("api/spots/<uuid:key>/", api_spots.SpotView.as_view()),
    path("api/spots/<uuid:key>/history/", api_spots.HistoryView.as_view()),
]
