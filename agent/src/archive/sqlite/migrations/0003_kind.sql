-- A simulated port has the kind of the port that it simulates. Both kinds were 'simulated' before.
ALTER TABLE run ADD COLUMN simulated INTEGER NOT NULL DEFAULT 0;
ALTER TABLE case_document ADD COLUMN simulated INTEGER NOT NULL DEFAULT 0;

-- A report of a serial port has a part `line`. Without a report: something was measured, and not in frames.
UPDATE run SET simulated = 1, kind = CASE
    WHEN EXISTS (SELECT 1 FROM report WHERE report.run_id = run.id
        AND CASE WHEN json_valid(document) THEN json_type(document, '$.line') = 'object' ELSE 0 END) THEN 'serial'
    WHEN frames_sent IS NULL AND error_trials IS NOT NULL THEN 'serial'
    ELSE 'ethernet' END
WHERE kind = 'simulated';

UPDATE case_document SET simulated = 1, kind = CASE
    WHEN CASE WHEN json_valid(document) THEN json_extract(document, '$.capabilities.carries_bytes') ELSE 0 END THEN 'serial'
    ELSE 'ethernet' END
WHERE kind = 'simulated';

-- A port that could not be opened had no kind in a few records.
UPDATE run SET kind = 'ethernet' WHERE kind = '';
