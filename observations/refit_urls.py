"""Address of the organiser's page of refits."""

from django.urls import URLPattern, URLResolver, path

from observations import refit_views

urlpatterns: list[URLPattern | URLResolver] = [path("club/refits/", refit_views.refits_page)]
