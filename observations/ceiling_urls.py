"""Address of the page of vulnerable species."""

from django.urls import path

from observations import ceiling_views

urlpatterns = [path("sharing/species/", ceiling_views.species_ceilings)]
