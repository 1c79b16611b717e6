"""Addresses of waters and spots."""

from django.urls import path

from spots import api, disclosure_views, link_views, policy_views, rest_views, sharing_views, views

urlpatterns = [
    path("spots/new/", views.spot_new),
    path("spots/<uuid:key>/edit/", views.spot_edit),
    path("spots/<uuid:key>/rest/", rest_views.spot_rest),
    path("sharing/seen/", disclosure_views.who_saw),
    path("sharing/links/", link_views.links),
    path("sharing/links/new/", link_views.propose),
    path("sharing/links/<uuid:key>/agree/", link_views.answer, {"act": "agree"}),
    path("sharing/links/<uuid:key>/end/", link_views.answer, {"act": "end"}),
    path("sharing/", sharing_views.desk),
    path("sharing/bulk/", sharing_views.bulk),
    path("sharing/policy/", policy_views.policy),
    path("sharing/undo/<uuid:key>/", sharing_views.undo_change),
    path("sharing/<uuid:key>/", sharing_views.spot_sharing),
    path("waters/", views.waters),
    path("waters/new/", views.water_new),
    path("waters/<uuid:key>/", views.water_page),
    path("waters/<uuid:key>/edit/", views.water_edit),
    path("api/waters/", api.WatersView.as_view()),
    path("api/waters/<uuid:key>/", api.WaterView.as_view()),
    path("api/waters/<uuid:key>/chart/", api.WaterChartView.as_view()),
]
