-- The fleet is listed by id, in the order that cursors compare by, whatever the
-- collation of the database.

-- +goose Up
CREATE INDEX property_by_name ON property (name COLLATE "C");

-- +goose Down
DROP INDEX property_by_name;
