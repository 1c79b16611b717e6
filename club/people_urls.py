"""Addresses of signing in, of a member's account and of the club's page."""

from django.urls import URLPattern, URLResolver, path

from club import api_auth, club_views, people_views, projector, reset_views, second_factor_views

urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", people_views.sign_in, name="sign-in"),
    path("sign-in/code/", second_factor_views.sign_in_code, name="sign-in-code"),
    path("account/second-factor/", second_factor_views.second_factor_page, name="second-factor"),
    path("sign-out/", people_views.sign_out, name="sign-out"),
    path("setup/", people_views.set_up, name="setup"),
    path("invitation/<str:token>/", people_views.invitation, name="invitation"),
    path("reset/<str:token>/", reset_views.reset, name="reset"),
    path("resets/<uuid:link_id>/close/", reset_views.close_link, name="close-reset"),
    path("projector/", projector.projector, name="projector"),
    path("account/", people_views.account, name="account"),
    path("account/password/", people_views.change_password, name="change-password"),
    path("account/sessions/", people_views.end_other_sessions, name="end-other-sessions"),
    path("account/sessions/<uuid:session_id>/end/", people_views.end_session, name="end-session"),
    path("account/tokens/", people_views.make_token, name="make-token"),
    path("account/tokens/<uuid:token_id>/revoke/", people_views.revoke_token, name="revoke-token"),
    path("club/", club_views.club, name="club"),
    path("club/about/", club_views.change_club, name="change-club"),
    path("club/invite/", club_views.invite, name="invite"),
    path("club/invite/<uuid:invitation_id>/withdraw/", club_views.withdraw, name="withdraw-invitation"),
    path("club/members/<uuid:member_id>/", club_views.person, name="person"),
    path("club/members/<uuid:member_id>/reset/", reset_views.issue_link, name="issue-reset"),
    path("club/members/<uuid:member_id>/sign-out/", club_views.sign_out_everywhere, name="sign-out-member"),
    path("club/members/<uuid:member_id>/end/", club_views.end_membership, name="end-membership"),
    path("club/members/<uuid:member_id>/take-back/", club_views.take_back, name="take-back"),
    path("club/teams/", club_views.new_team, name="new-team"),
    path("club/teams/<uuid:team_id>/", club_views.team, name="team"),
    path("club/teams/<uuid:team_id>/<int:place_id>/captain/", club_views.captain, name="make-captain"),
    path("club/teams/<uuid:team_id>/<int:place_id>/out/", club_views.out_of_team, name="out-of-team"),
    path("api/auth/token/", api_auth.TokenView.as_view(), name="api-token"),
]
