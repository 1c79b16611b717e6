"""Addresses of files in and out."""

from django.urls import URLPattern, URLResolver, path

from observations import files_views

urlpatterns: list[URLPattern | URLResolver] = [
    path("import/", files_views.import_page, name="import"),
    path("import/looks-template.csv", files_views.looks_template, name="looks-template"),
    path("export/spots.gpx", files_views.spots_gpx, name="spots-gpx"),
    path("export/looks.csv", files_views.looks_csv, name="looks-csv"),
]
