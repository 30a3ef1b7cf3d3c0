-- Weather: which station stands for which property, what stations reported, and
-- forecasts.

-- +goose Up
-- What speaks for a property besides its gateways: the weather service, a file.
-- Readings name their source by the number of such a row; it cannot sign in, and
-- it is never called silent.
ALTER TABLE gateway ADD COLUMN kind text NOT NULL DEFAULT 'gateway',
    ADD CONSTRAINT gateway_kind CHECK (kind IN ('gateway', 'source'));

CREATE TABLE weather_station (
    station_id    text PRIMARY KEY,      -- as the service names it
    name          text NOT NULL,
    lat           float8 NOT NULL,
    lon           float8 NOT NULL,
    poll_at       timestamptz NOT NULL DEFAULT '-infinity', -- next; moved on when claimed
    etag          text NOT NULL DEFAULT '',
    last_modified text NOT NULL DEFAULT '',
    answered_at   timestamptz,           -- last answer that could be used
    failed_at     timestamptz,           -- last one that could not
    failure       text NOT NULL DEFAULT '',
    failures      int4 NOT NULL DEFAULT 0, -- in a row
    CONSTRAINT weather_station_form CHECK (station_id ~ '^[A-Z0-9]{2,12}$'),
    CONSTRAINT weather_station_place CHECK (lat BETWEEN -90 AND 90 AND lon BETWEEN -180 AND 180)
);
COMMENT ON TABLE weather_station IS 'local: stations of the weather service';
CREATE INDEX weather_station_poll ON weather_station (poll_at);

-- What a station reported, resolved into readings; a later other value for the
-- same time is a row of its own, so that it too reaches the properties, where it
-- goes to quarantine. Kept for some weeks: the readings of the properties last.
CREATE TABLE weather_observation (
    station_id text NOT NULL REFERENCES weather_station ON DELETE CASCADE,
    quantity   int2 NOT NULL,
    at         timestamptz NOT NULL,     -- end of the interval where it is rain
    value      float8 NOT NULL,
    from_at    timestamptz,              -- begin of the interval; NULL: no interval
    spread     bool NOT NULL DEFAULT false, -- a share of a longer total
    seq        int8 GENERATED ALWAYS AS IDENTITY,
    PRIMARY KEY (station_id, quantity, at, value)
);
COMMENT ON TABLE weather_observation IS 'local: what stations reported, for handing on';
CREATE INDEX weather_observation_seq ON weather_observation (station_id, seq);

-- Which station and which cell of the forecast grid stand for a property.
CREATE TABLE weather_place (
    property_id int4 PRIMARY KEY REFERENCES property,
    lat         float8,                  -- of the property file; NULL: it names a station only
    lon         float8,
    named       text NOT NULL DEFAULT '', -- station that the property file names
    look_at     timestamptz NOT NULL DEFAULT '-infinity', -- when to look stations up
    looked_at   timestamptz,
    failure     text NOT NULL DEFAULT '',
    failures    int4 NOT NULL DEFAULT 0,
    station_id  text REFERENCES weather_station,
    distance_m  float8,
    handed_seq  int8 NOT NULL DEFAULT 0, -- observations up to it are readings of the property
    grid        text,
    CONSTRAINT weather_place_located CHECK ((lat IS NULL) = (lon IS NULL) AND (lat IS NOT NULL OR named <> ''))
);
COMMENT ON TABLE weather_place IS 'by property: its weather station and forecast cell';
CREATE INDEX weather_place_look ON weather_place (look_at);
CREATE INDEX weather_place_station ON weather_place (station_id);

CREATE TABLE weather_nearby (
    property_id int4 NOT NULL REFERENCES weather_place ON DELETE CASCADE,
    station_id  text NOT NULL REFERENCES weather_station,
    distance_m  float8 NOT NULL,
    PRIMARY KEY (property_id, station_id)
);
COMMENT ON TABLE weather_nearby IS 'by property: the nearest weather stations';

CREATE TABLE weather_forecast (
    grid          text PRIMARY KEY,      -- office/x,y
    poll_at       timestamptz NOT NULL DEFAULT '-infinity',
    etag          text NOT NULL DEFAULT '',
    last_modified text NOT NULL DEFAULT '',
    hours         jsonb,                 -- [[unix seconds, °C or null, dew point °C or null, mm or null], ...]
    updated_at    timestamptz,           -- by the service
    answered_at   timestamptz,
    failed_at     timestamptz,
    failure       text NOT NULL DEFAULT '',
    failures      int4 NOT NULL DEFAULT 0,
    CONSTRAINT weather_forecast_form CHECK (grid ~ '^[A-Z]{3,4}/[0-9]{1,4},[0-9]{1,4}$')
);
COMMENT ON TABLE weather_forecast IS 'local: forecasts by cell of the service''s grid';
CREATE INDEX weather_forecast_poll ON weather_forecast (poll_at);

-- +goose Down
DROP TABLE weather_forecast, weather_nearby, weather_place, weather_observation, weather_station;
ALTER TABLE gateway DROP COLUMN kind;
