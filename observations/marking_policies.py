"""Rights on marks: whoever sees the look of a picture sees its marks; who made the look draws and removes them.

A checker who has a picture to check, or to clear, sees the picture alone: a mark says where the fish is and
that something is bait, and a check is blind.
"""

from club.rls import MEMBER, Table
from spots.rules import known, water_of

_OF_LOOK = (
    "SELECT 1 FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id"
    " WHERE p.id = observations_mark.picture_id"
)
_SEEN = (
    f"EXISTS ({_OF_LOOK} AND (o.observer_id = {MEMBER}"
    f" OR {known(water_of('o.spot_id'), 'observations_mark.created_at', 'o.scope')})"
    " AND (p.finding_id IS NULL OR EXISTS (SELECT 1 FROM observations_finding f WHERE f.id = p.finding_id)))"
)
_OWN = f"EXISTS ({_OF_LOOK} AND o.observer_id = {MEMBER} AND o.withdrawn_at IS NULL)"

TABLES = [Table("observations_mark", select=_SEEN, insert=_OWN, delete=_OWN, worker=())]

MOST_MARKS = 60
MOST_POINTS = 200

_DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"
TRIGGERS = [
    f"""
    CREATE OR REPLACE FUNCTION observations_mark_fits() RETURNS trigger {_DEFINER} AS $$
    DECLARE
        shown observations_picture;
        n integer := COALESCE(cardinality(NEW.points), 0);
    BEGIN
        SELECT * INTO shown FROM observations_picture WHERE id = NEW.picture_id;
        IF n % 2 <> 0 OR n > {2 * MOST_POINTS} OR array_position(NEW.points, NULL) IS NOT NULL
            OR n < (CASE NEW.shape WHEN 'outline' THEN 6 ELSE 4 END) OR (NEW.shape = 'box' AND n <> 4) THEN
            RAISE EXCEPTION 'a mark has the points of its shape' USING ERRCODE = 'check_violation';
        END IF;
        IF NEW.shape = 'box' THEN
            IF NEW.points[1] < 0 OR NEW.points[2] < 0 OR NEW.points[3] < 1 OR NEW.points[4] < 1
                OR NEW.points[1] + NEW.points[3] > shown.width OR NEW.points[2] + NEW.points[4] > shown.height THEN
                RAISE EXCEPTION 'a mark lies on its picture' USING ERRCODE = 'check_violation';
            END IF;
        ELSIF EXISTS (SELECT 1 FROM unnest(NEW.points) WITH ORDINALITY AS t (at, nth)
            WHERE at < 0 OR at > (CASE nth % 2 WHEN 1 THEN shown.width ELSE shown.height END)) THEN
            RAISE EXCEPTION 'a mark lies on its picture' USING ERRCODE = 'check_violation';
        END IF;
        IF (SELECT count(*) FROM observations_mark m WHERE m.picture_id = NEW.picture_id) >= {MOST_MARKS} THEN
            RAISE EXCEPTION 'a picture has at most {MOST_MARKS} marks' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS mark_fits ON observations_mark",
    "CREATE TRIGGER mark_fits BEFORE INSERT OR UPDATE ON observations_mark FOR EACH ROW"
    " EXECUTE FUNCTION observations_mark_fits()",
]
