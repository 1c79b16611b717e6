"""Addresses of the log page, the checkers' queue and pictures."""

from django.urls import path

from observations import camera_check_views, edit_views, here_views, log_views, marking_views, proof_views

urlpatterns = [
    path("log/", log_views.log),
    path("log/spots/", log_views.choose),
    path("log/here/", here_views.here),
    path("log/mine/", log_views.mine),
    path("log/<uuid:look_id>/", log_views.sealed),
    path("log/<uuid:look_id>/undo/", log_views.undo),
    path("log/<uuid:look_id>/edit/", edit_views.edit),
    path("log/<uuid:look_id>/check/", camera_check_views.answer_check),
    path("log/<uuid:look_id>/withdraw/<uuid:group_id>/", log_views.withdraw),
    path("proofs/", proof_views.queue),
    path("proofs/decided/", proof_views.decided),
    path("proofs/decided/<uuid:confirmation_id>/undo/", proof_views.undo),
    path("proofs/<uuid:finding_id>/dispute/", proof_views.dispute),
    path("proofs/<uuid:finding_id>/", proof_views.check),
    path("proofs/<uuid:finding_id>/name/", proof_views.name),
    path("proofs/<uuid:finding_id>/decide/", proof_views.decide),
    path("pictures/<uuid:picture_id>/", log_views.picture),
    path("pictures/<uuid:picture_id>/small/", log_views.picture, {"small": True}),
    path("pictures/<uuid:picture_id>/marks/", marking_views.marks),
    path("pictures/<uuid:picture_id>/marks/draw/", marking_views.draw),
    path("pictures/<uuid:picture_id>/marks/measure/", marking_views.measure),
    path("pictures/<uuid:picture_id>/marks/black/", marking_views.black),
    path("pictures/<uuid:picture_id>/marks/<uuid:mark_id>/remove/", marking_views.remove),
]
