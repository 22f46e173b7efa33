-- What a pass is limited to. Runs of before have none here; their documents do.
ALTER TABLE run ADD COLUMN scope text;
