-- Two machines may hold a document with the same id: a disk was cloned, or records were restored at another machine.
-- The latest revision of each is kept; the page shows the one that was changed last.
ALTER TABLE case_document DROP CONSTRAINT case_document_pkey, ADD PRIMARY KEY (id, machine_id);
ALTER TABLE card_test DROP CONSTRAINT card_test_pkey, ADD PRIMARY KEY (id, machine_id);
ALTER TABLE lot DROP CONSTRAINT lot_pkey, ADD PRIMARY KEY (id, machine_id);

-- One word for it, here as everywhere.
ALTER TABLE poison RENAME TO set_aside;
