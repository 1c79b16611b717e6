"""Addresses of the API for looks, proofs and what was learned of calls."""

from django.urls import path

from observations import api_decisions, api_look, api_looks, api_marks, api_proofs, api_reliability

urlpatterns = [
    path("api/observations/", api_looks.LooksView.as_view()),
    path("api/observations/<uuid:key>/", api_look.LookView.as_view()),
    path("api/observations/<uuid:key>/withdraw/", api_looks.WithdrawView.as_view()),
    path("api/trips/", api_looks.TripsView.as_view()),
    path("api/species/", api_looks.SpeciesView.as_view()),
    path("api/findings/", api_proofs.FindingsView.as_view()),
    path("api/findings/<uuid:key>/dispute/", api_decisions.DisputeView.as_view()),
    path("api/confirmations/", api_proofs.ConfirmationsView.as_view()),
    path("api/confirmations/<uuid:key>/undo/", api_decisions.UndoView.as_view()),
    path("api/pictures/<uuid:key>/", api_proofs.PictureView.as_view()),
    path("api/pictures/<uuid:key>/annotations/", api_marks.AnnotationsView.as_view()),
    path("api/pictures/<uuid:key>/annotations/<uuid:mark>/", api_marks.AnnotationView.as_view()),
    path("api/reliability/", api_reliability.ReliabilityView.as_view()),
]
