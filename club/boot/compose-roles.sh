#!/bin/sh
# Run once by the PostGIS container, on an empty volume: the roles of roles.sql, their passwords, the database.
set -eu
run() { psql --quiet --no-psqlrc -v ON_ERROR_STOP=1 --username "$POSTGRES_USER" "$@"; }
run --dbname template1 --file /tallow/roles.sql
run --dbname template1 \
    -v owner="$TALLOW_OWNER_PASSWORD" -v web="$TALLOW_WEB_PASSWORD" -v worker="$TALLOW_WORKER_PASSWORD" <<'SQL'
ALTER ROLE tallow_owner PASSWORD :'owner';
ALTER ROLE tallow_web PASSWORD :'web';
ALTER ROLE tallow_worker PASSWORD :'worker';
CREATE DATABASE tallow OWNER tallow_owner TEMPLATE template1;
SQL
