"""Addresses of leaving the club."""

from django.urls import URLPattern, URLResolver, path

from observations import leaving_views

urlpatterns: list[URLPattern | URLResolver] = [
    path("account/leave/", leaving_views.leave, name="leave"),
    path("account/data/", leaving_views.my_data, name="my-data"),
    path("hand-over/", leaving_views.hand_over, name="hand-over"),
]
