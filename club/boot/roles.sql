-- The three login roles (see DESIGN): the owner migrates and backs up; web and worker own nothing.
-- Safe to run again. Statements are separated by blank lines: the private cluster feeds this file to
-- `postgres --single -j`, which ends a statement there. Roles are for the whole cluster, so they are
-- made here and not in a migration.

DO $$ BEGIN CREATE ROLE tallow_owner; EXCEPTION WHEN duplicate_object THEN NULL; END $$;

DO $$ BEGIN CREATE ROLE tallow_web; EXCEPTION WHEN duplicate_object THEN NULL; END $$;

DO $$ BEGIN CREATE ROLE tallow_worker; EXCEPTION WHEN duplicate_object THEN NULL; END $$;

ALTER ROLE tallow_owner LOGIN CREATEDB NOINHERIT NOSUPERUSER NOCREATEROLE NOBYPASSRLS NOREPLICATION;

ALTER ROLE tallow_web LOGIN NOCREATEDB NOINHERIT NOSUPERUSER NOCREATEROLE NOBYPASSRLS NOREPLICATION;

ALTER ROLE tallow_worker LOGIN NOCREATEDB NOINHERIT NOSUPERUSER NOCREATEROLE NOBYPASSRLS NOREPLICATION;

-- So that tests, signed in as the owner, can become them.
GRANT tallow_web, tallow_worker TO tallow_owner;

-- In template1, so that the owner, who is no superuser, can make databases that have it.
CREATE EXTENSION IF NOT EXISTS postgis;

REVOKE CREATE ON SCHEMA public FROM PUBLIC, tallow_web, tallow_worker;

GRANT ALL ON SCHEMA public TO tallow_owner;

