-- What a pass is limited to, and what its bit error ratio is proved to be below: lists claim no more than that.
ALTER TABLE run ADD COLUMN error_ratio_below REAL;
ALTER TABLE run ADD COLUMN scope TEXT;
ALTER TABLE case_document ADD COLUMN scope TEXT;

UPDATE run SET
    error_ratio_below = (SELECT CASE WHEN json_valid(document) THEN json_extract(document, '$.error_ratio.proved_below') END
        FROM report WHERE report.run_id = run.id),
    scope = (SELECT CASE WHEN json_valid(document) THEN json_extract(document, '$.verdict.scope') END
        FROM report WHERE report.run_id = run.id);
UPDATE case_document SET scope = CASE WHEN json_valid(document) THEN json_extract(document, '$.verdict.scope') END;
