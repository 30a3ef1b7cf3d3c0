-- For a Postgres where the service's own role may not create roles: an
-- administrator runs this once, with the name of that role in the last line.
-- The roles own nothing and cannot log in; the next start of the service gives
-- them their rights and takes them on.
--
-- underkeep_ingest may be given BYPASSRLS where that is allowed: readings then
-- go in by COPY instead of INSERT. It can add what arrives, and no more.
CREATE ROLE underkeep_api NOLOGIN;
CREATE ROLE underkeep_ingest NOLOGIN;
CREATE ROLE underkeep_jobs NOLOGIN;
GRANT underkeep_api, underkeep_ingest, underkeep_jobs TO underkeep;
