"""What a junior's own spots are not shown as: exactly, to anybody but the guardian and the junior's own team."""

# Of spots_grant g and its spot's owner m: whether this sight is one that a junior cannot give. No level stands
# for the club's default, which may be exact one day.
_TOO_WIDE = """
    (g.level IS NULL OR g.level >= 3)
    AND g.audience NOT IN ('member:' || m.id::text, 'member:' || m.guardian_id::text)
    AND NOT EXISTS (SELECT 1 FROM club_teammembership t WHERE t.member_id = m.id
        AND g.audience = 'team:' || t.team_id::text)
"""

TRIGGERS = [
    f"""
    CREATE OR REPLACE FUNCTION spots_junior_grant() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF EXISTS (
            SELECT 1 FROM (SELECT NEW.level, NEW.audience::text) AS g(level, audience), spots_spot s
            JOIN club_member m ON m.id = s.owner_member_id AND m.guardian_id IS NOT NULL
            WHERE s.id = NEW.spot_id AND {_TOO_WIDE}
        ) THEN
            RAISE insufficient_privilege
                USING MESSAGE = 'Only the guardian and the own team see a junior''s spot exactly.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS junior_grant ON spots_grant",
    "CREATE TRIGGER junior_grant BEFORE INSERT OR UPDATE OF level, audience, spot_id ON spots_grant"
    " FOR EACH ROW EXECUTE FUNCTION spots_junior_grant()",
    # Whoever becomes a junior, gets another guardian or leaves a team shows what is too wide by its water.
    f"""
    CREATE OR REPLACE FUNCTION spots_narrow_for_junior() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE whose uuid := CASE TG_TABLE_NAME WHEN 'club_member' THEN (to_jsonb(NEW) ->> 'id')::uuid
        ELSE (to_jsonb(OLD) ->> 'member_id')::uuid END;
    BEGIN
        UPDATE spots_grant g SET level = 1 FROM spots_spot s
            JOIN club_member m ON m.id = s.owner_member_id AND m.guardian_id IS NOT NULL
            WHERE s.id = g.spot_id AND m.id = whose AND {_TOO_WIDE};
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS narrow_for_junior ON club_member",
    "CREATE TRIGGER narrow_for_junior AFTER UPDATE OF guardian_id ON club_member FOR EACH ROW"
    " WHEN (NEW.guardian_id IS NOT NULL AND NEW.guardian_id IS DISTINCT FROM OLD.guardian_id)"
    " EXECUTE FUNCTION spots_narrow_for_junior()",
    "DROP TRIGGER IF EXISTS narrow_for_junior ON club_teammembership",
    "CREATE TRIGGER narrow_for_junior AFTER DELETE ON club_teammembership FOR EACH ROW"
    " EXECUTE FUNCTION spots_narrow_for_junior()",
]
