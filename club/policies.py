"""Rights of the web and worker roles on the club's tables."""

from club.rls import MEMBER, Table

_ORGANISER = (
    "EXISTS (SELECT 1 FROM club_member m WHERE m.id = " + MEMBER + " AND m.is_active AND m.role = 'organiser')"
)

TABLES = [
    Table("django_session", insert="true", update="true", delete="true", private=False, worker=("SELECT", "DELETE")),
    Table("django_content_type", private=False),
    Table("django_migrations", private=False),
    # Names and roles are for the pages to show or not; passwords are hashes.
    Table("club_member", insert="true", update="true", private=False),
    Table("club_team", insert="true", update="true", private=False),
    Table("club_teammembership", insert="true", update="true", delete="true", private=False),
    Table("club_audiencepolicy", insert="true", update="true", private=False),
    Table("club_club", insert="true", update="true", private=False),
    # A token is looked up before anybody is signed in, by its digest, which nobody can guess.
    Table("club_invitation", insert="true", update="true", private=False, worker=()),
    Table("club_apitoken", insert="true", update="true", private=False, worker=()),
    Table(
        "club_idempotencykey",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER}",
        worker=("SELECT", "DELETE"),
    ),
]
