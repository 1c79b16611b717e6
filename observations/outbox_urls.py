"""Addresses of what a phone needs to log without signal. Before `log_urls`, none of whose addresses they are."""

from django.urls import path

from observations import outbox_views, worker_views

urlpatterns = [
    path("sw.js", worker_views.service_worker),
    path("log/hello/", outbox_views.hello),
    path("log/offline/", outbox_views.shell),
    path("log/pack/", outbox_views.pack),
    path("log/carry/", outbox_views.carry),
    path("log/<uuid:look_id>/pictures/<uuid:key>/", outbox_views.add_picture),
    path("log/<uuid:look_id>/pictures/<uuid:key>/parts/", outbox_views.picture_parts),
]
