"""Addresses of events."""

from django.urls import path

from observations import entry_views, event_views

urlpatterns = [
    path("events/", event_views.event_list),
    path("events/new/", event_views.event_new),
    path("events/<uuid:key>/", event_views.event_page),
    path("events/<uuid:key>/edit/", event_views.event_edit),
    path("events/<uuid:key>/delete/", event_views.event_delete),
    path("events/<uuid:key>/enter/", entry_views.enter),
    path("events/<uuid:key>/late/", entry_views.late),
    path("events/<uuid:key>/entries/<uuid:entry_id>/withdraw/", entry_views.withdraw),
    path("events/<uuid:key>/entries/<uuid:entry_id>/accept/", entry_views.accept),
]
