-- What a pass is limited to, so that lists do not claim more than was shown.
ALTER TABLE run ADD COLUMN scope TEXT;
ALTER TABLE case_document ADD COLUMN scope TEXT;

UPDATE run SET scope = (SELECT CASE WHEN json_valid(document) THEN json_extract(document, '$.verdict.scope') END
    FROM report WHERE report.run_id = run.id);
UPDATE case_document SET scope = CASE WHEN json_valid(document) THEN json_extract(document, '$.verdict.scope') END;
