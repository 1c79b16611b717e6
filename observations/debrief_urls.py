"""Addresses of the debrief."""

from django.urls import path

from observations import debrief_views

urlpatterns = [
    path("debrief/", debrief_views.debrief),
    path("debrief/<uuid:trip_id>/", debrief_views.day),
    path("debrief/<uuid:trip_id>/done/", debrief_views.done),
    path("debrief/<uuid:trip_id>/again/", debrief_views.again),
    path("debrief/<uuid:trip_id>/track.gpx", debrief_views.track_gpx),
    path("debrief/<uuid:trip_id>/remove/", debrief_views.remove),
    path("debrief/pictures/<uuid:picture_id>/", debrief_views.picture),
    path("debrief/pictures/<uuid:picture_id>/small/", debrief_views.picture, {"small": True}),
]
