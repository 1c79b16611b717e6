"""Addresses of pictures cleared for everybody, and of calls."""

from django.urls import URLPattern, URLResolver, path

from observations import api_cleared, blind_views, calls_views, clearing_views, guide_views

urlpatterns: list[URLPattern | URLResolver] = [
    path("pictures/", clearing_views.wall, name="pictures"),
    path("pictures/offered/", clearing_views.queue),
    path("pictures/offered/<uuid:clearance_id>/", clearing_views.decide),
    path("pictures/cleared/<uuid:cleared_id>/", clearing_views.cleared),
    path("pictures/cleared/<uuid:cleared_id>/small/", clearing_views.cleared, {"small": True}),
    path("pictures/cleared/<uuid:cleared_id>/down/", clearing_views.take_down),
    path("pictures/<uuid:picture_id>/clear/", clearing_views.offer_page),
    path("pictures/<uuid:picture_id>/clear/back/", clearing_views.take_back),
    path("calls/", calls_views.calls),
    path("calls/guide/", guide_views.guide),
    path("calls/guide/<slug:code>/", guide_views.one_species),
    path("calls/sharing/", calls_views.share),
    path("calls/blind/", blind_views.blind),
    path("calls/blind/<uuid:key>/", blind_views.told),
    path("api/pictures/", api_cleared.ClearedView.as_view()),
]
