"""Addresses of files in and out."""

from django.urls import URLPattern, URLResolver, path

from observations import export_views, files_views
from observations.files.exports import EXPORTS

urlpatterns: list[URLPattern | URLResolver] = [
    path("import/", files_views.import_page, name="import"),
    path("import/looks-template.csv", export_views.looks_template, name="looks-template"),
    path("import/<uuid:key>/", files_views.import_record, name="import-record"),
    path("export/", export_views.export_page, name="export"),
    *(
        path(
            f"export/{item.name}",
            export_views.spots_file if item.for_guests else export_views.members_file,
            {"name": item.name},
            name=f"export-{item.name}",
        )
        for item in EXPORTS.values()
    ),
]
