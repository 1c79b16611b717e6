"""Addresses of events."""

from django.urls import path

from observations import api_events, certificate_views, entry_views, event_views

urlpatterns = [
    path("events/", event_views.event_list),
    path("events/new/", event_views.event_new),
    path("events/<uuid:key>/", event_views.event_page),
    path("events/<uuid:key>/edit/", event_views.event_edit),
    path("events/<uuid:key>/delete/", event_views.event_delete),
    path("events/<uuid:key>/enter/", entry_views.enter),
    path("events/<uuid:key>/opening/", entry_views.opening),
    path("events/<uuid:key>/late/", entry_views.late),
    path("events/<uuid:key>/event.ics", certificate_views.calendar),
    path("events/<uuid:key>/certificate/", certificate_views.certificate),
    path("events/<uuid:key>/certificate.txt", certificate_views.certificate_text),
    path("events/<uuid:key>/certificate.json", certificate_views.certificate_json),
    path("events/<uuid:key>/certificate/check/", certificate_views.check),
    path("api/events/", api_events.EventsView.as_view()),
    path("api/events/<uuid:key>/", api_events.EventView.as_view()),
    path("events/<uuid:key>/entries/<uuid:entry_id>/withdraw/", entry_views.withdraw),
    path("events/<uuid:key>/entries/<uuid:entry_id>/accept/", entry_views.accept),
]
