-- What the fleet's stream does not take, however often it comes, stays here with the reason and holds up nothing else.
-- The agent tries it again from time to time: somebody may have raised the stream's limit meanwhile.
ALTER TABLE fleet_outbox ADD COLUMN reason TEXT;                     -- why it is set aside; NULL: it waits
ALTER TABLE fleet_outbox ADD COLUMN tries INTEGER NOT NULL DEFAULT 0; -- how often it was set aside
CREATE INDEX fleet_outbox_set_aside ON fleet_outbox (tries, number) WHERE reason IS NOT NULL;
