"""Addresses of the debrief."""

from django.urls import path

from observations import debrief_after_views, debrief_views

urlpatterns = [
    path("debrief/", debrief_views.debrief),
    path("debrief/<uuid:trip_id>/", debrief_views.day),
    path("debrief/<uuid:trip_id>/done/", debrief_after_views.done),
    path("debrief/<uuid:trip_id>/again/", debrief_after_views.again),
    path("debrief/<uuid:trip_id>/track.gpx", debrief_after_views.track_gpx),
    path("debrief/<uuid:trip_id>/remove/", debrief_after_views.remove),
    path("debrief/pictures/<uuid:picture_id>/", debrief_after_views.picture),
    path("debrief/pictures/<uuid:picture_id>/small/", debrief_after_views.picture, {"small": True}),
]
