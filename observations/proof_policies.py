"""Rights on disputes and on taking a decision back, and what all standing decisions together make of a finding."""

from club.rls import AUDIENCES, MEMBER, MOMENT, Table

_CHECKER = f"'checkers' = ANY ({AUDIENCES})"
_FINDING = "EXISTS (SELECT 1 FROM observations_finding f WHERE f.id = observations_dispute.finding_id"

TABLES = [
    # The observer's; and of a checker whom the finding may wait for.
    Table(
        "observations_dispute",
        select=f"member_id = {MEMBER} OR ({_CHECKER} AND {_FINDING} AND f.observer_id <> {MEMBER}))",
        insert=f"member_id = {MEMBER} AND opened_at = {MOMENT} AND {_FINDING} AND f.observer_id = {MEMBER})",
        worker=(),
    ),
]

_DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"

FUNCTIONS = [
    # Each standing decision is a vote: for a species, or that the finding proves none. Most votes win. Where
    # they are level between species, the observer's own claim stands, then what stood first; level with a rejection
    # nothing is verified, and it stays seen or landed until one more decides. By what was known then: an earlier day, a
    # cut-off. It sees what its caller may see. `decided`: there was any decision by then.
    """
    CREATE OR REPLACE FUNCTION observations_settled(wanted uuid, claimed text, by_then timestamptz,
        OUT decided boolean, OUT verified timestamptz, OUT corrected text, OUT level boolean)
    LANGUAGE plpgsql STABLE SET search_path = public, pg_temp AS $$
    DECLARE
        won record;
    BEGIN
        decided := EXISTS (SELECT 1 FROM observations_confirmation c
            WHERE c.finding_id = wanted AND c.created_at <= by_then);
        SELECT t.species, t.since, bool_or(t.species = '' AND t.votes = t.most) OVER () AS no_fish,
            count(*) FILTER (WHERE t.votes = t.most) OVER () > 1 AS tied INTO won FROM (
            SELECT v.species, count(*) AS votes, min(v.at) AS since, max(count(*)) OVER () AS most FROM (
                SELECT CASE c.decision WHEN 'rejected' THEN '' ELSE c.named_species_id END AS species,
                    c.created_at AS at
                FROM observations_confirmation c
                WHERE c.finding_id = wanted AND c.created_at <= by_then AND c.decision <> 'unsure'
                    AND (c.undone_at IS NULL OR c.undone_at > by_then)
            ) v GROUP BY v.species
        ) t ORDER BY t.votes DESC, t.species = claimed DESC, t.since, t.species LIMIT 1;
        level := COALESCE(won.tied, false);
        IF NOT won.no_fish THEN
            verified := won.since;
            corrected := nullif(won.species, claimed);
        END IF;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_settled(uuid, text, timestamptz) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_settled(uuid, text, timestamptz) TO tallow_web, tallow_worker",
    # What a checker may be told of a finding's weight before they see it: a number, for the order of the queue.
    f"""
    CREATE OR REPLACE FUNCTION observations_matters(wanted uuid) RETURNS float8 {_DEFINER} STABLE AS $$
    BEGIN
        IF NOT ({_CHECKER}) THEN
            RETURN 0;
        END IF;
        RETURN (SELECT CASE WHEN f.settles_id IS NOT NULL AND f.tie = 'same fish' THEN 1 ELSE 0 END
            + COALESCE((SELECT max(h.high - h.low) FROM observations_history h
                WHERE h.spot_id = o.spot_id AND h.species_id = f.species_id
                AND h.edition = 'live' AND h.scope = 'club'), 1)
            FROM observations_finding f JOIN observations_observation o ON o.id = f.look_id
            WHERE f.id = wanted AND (f.scope = 'club' OR f.opens_at <= {MOMENT}));
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_matters(uuid) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_matters(uuid) TO tallow_web",
]


def _trigger(name: str, when: str, table: str, function: str) -> list[str]:
    return [
        f"DROP TRIGGER IF EXISTS {name} ON {table}",
        f"CREATE TRIGGER {name} {when} ON {table} FOR EACH ROW EXECUTE FUNCTION {function}()",
    ]


TRIGGERS = [
    # A checker who sees the look, or of whose picture everybody sees a named copy, may have read the claim. It asks by
    # the checker's own sight, not as definer.
    """
    CREATE OR REPLACE FUNCTION observations_named_blind() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user = 'tallow_web' THEN
            NEW.blind := NOT EXISTS (SELECT 1 FROM observations_finding f
                    JOIN observations_observation o ON o.id = f.look_id WHERE f.id = NEW.finding_id)
                AND NOT EXISTS (SELECT 1 FROM observations_picture p
                    WHERE p.finding_id = NEW.finding_id AND observations_has_named_copy(p.id));
        END IF;
        RETURN NEW;
    END $$
    """,
    *_trigger("named_blind", "BEFORE INSERT", "observations_blindname", "observations_named_blind"),
    # Level votes, a checker who named another species and left it open, and an observer who asks for another
    # checker are a dispute until one decides.
    f"""
    CREATE OR REPLACE FUNCTION observations_settle(wanted uuid) RETURNS void {_DEFINER} AS $$
    DECLARE
        claimed text;
        settled record;
        decided timestamptz;
        open_since timestamptz;
    BEGIN
        SELECT species_id INTO claimed FROM observations_finding WHERE id = wanted FOR UPDATE;
        SELECT * INTO settled FROM observations_settled(wanted, claimed, 'infinity');
        SELECT max(c.created_at) INTO decided FROM observations_confirmation c
        WHERE c.finding_id = wanted AND c.undone_at IS NULL AND c.decision <> 'unsure';
        IF settled.level THEN
            open_since := decided;
        ELSE
            SELECT max(since) INTO open_since FROM (
                SELECT d.opened_at AS since FROM observations_dispute d WHERE d.finding_id = wanted
                UNION ALL
                SELECT c.created_at FROM observations_confirmation c
                WHERE c.finding_id = wanted AND c.undone_at IS NULL AND c.decision = 'unsure'
                    AND c.named_species_id <> claimed
            ) asked WHERE decided IS NULL OR since > decided;
        END IF;
        UPDATE observations_finding SET
            verified_at = settled.verified,
            corrected_species_id = settled.corrected,
            disputed_at = open_since,
            votes = (SELECT count(*) FROM observations_confirmation c
                WHERE c.finding_id = wanted AND c.undone_at IS NULL AND c.decision <> 'unsure'),
            undone_at = (SELECT max(c.undone_at) FROM observations_confirmation c WHERE c.finding_id = wanted)
        WHERE id = wanted;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_settle(uuid) FROM PUBLIC",
    # Verified: confirmed by a checker who is not the observer. Nobody checks alone on their own.
    f"""
    CREATE OR REPLACE FUNCTION observations_confirmed() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        IF EXISTS (SELECT 1 FROM observations_finding WHERE id = NEW.finding_id AND observer_id = NEW.checker_id) THEN
            RAISE EXCEPTION 'nobody confirms their own finding' USING ERRCODE = 'check_violation';
        END IF;
        PERFORM observations_settle(NEW.finding_id);
        RETURN NULL;
    END $$
    """,
    *_trigger("confirmed", "AFTER INSERT OR UPDATE", "observations_confirmation", "observations_confirmed"),
    f"""
    CREATE OR REPLACE FUNCTION observations_disputed() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        PERFORM observations_settle(NEW.finding_id);
        RETURN NULL;
    END $$
    """,
    *_trigger("disputed", "AFTER INSERT", "observations_dispute", "observations_disputed"),
    # A decision is taken back once, now, and otherwise stays what it was.
    f"""
    CREATE OR REPLACE FUNCTION observations_undone() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF OLD.undone_at IS NOT NULL OR to_jsonb(NEW) - 'undone_at' <> to_jsonb(OLD) - 'undone_at'
            OR (current_user = 'tallow_web' AND NEW.undone_at IS DISTINCT FROM {MOMENT}) THEN
            RAISE EXCEPTION 'a decision is only taken back, once' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    *_trigger("undone", "BEFORE UPDATE", "observations_confirmation", "observations_undone"),
]
