-- Which places an event tells of is for those who have a house in it: its rows
-- belong to no property, so they are seen through the members that one sees.

-- +goose Up
CREATE POLICY seen_through_members ON regional_event USING (
    (SELECT current_setting('underkeep.properties', true) = 'all')
    OR EXISTS (SELECT FROM regional_member m WHERE m.event_id = regional_event.event_id))
    WITH CHECK ((SELECT current_setting('underkeep.properties', true) = 'all'));
ALTER TABLE regional_event ENABLE ROW LEVEL SECURITY;
ALTER TABLE regional_event FORCE ROW LEVEL SECURITY;

-- +goose Down
ALTER TABLE regional_event NO FORCE ROW LEVEL SECURITY;
ALTER TABLE regional_event DISABLE ROW LEVEL SECURITY;
DROP POLICY seen_through_members ON regional_event;
