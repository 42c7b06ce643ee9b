-- A record as schema 1 wrote it.
PRAGMA application_id=1146244427;
PRAGMA user_version=1;
BEGIN TRANSACTION;
CREATE TABLE learner (
        id INTEGER PRIMARY KEY,
        pseudonym TEXT NOT NULL UNIQUE COLLATE NOCASE
    ) STRICT;
INSERT INTO "learner" VALUES(1,'trainee-07');
INSERT INTO "learner" VALUES(2,'Trainee-11');
CREATE TABLE record (
        id INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given twice, not even after a
        digest TEXT NOT NULL UNIQUE,          -- deletion
        recorded_at TEXT NOT NULL,
        learner_id INTEGER NOT NULL REFERENCES learner (id),
        task TEXT,
        photo_sha256 TEXT,
        kind TEXT NOT NULL CHECK (kind IN ('volume', 'strength')),
        verdict TEXT NOT NULL CHECK (verdict IN ('within', 'outside', 'undecided', 'refused')),
        target_ml REAL,
        tolerance_ml REAL,
        liquid_ml REAL,
        standard_uncertainty_ml REAL,
        deviation_ml REAL,
        relative_deviation REAL,
        relative_standard_uncertainty REAL,
        relative_tolerance REAL,
        probability_within REAL,
        capacity_ml REAL,
        interval_ml REAL,
        reasons TEXT NOT NULL,
        program TEXT NOT NULL,
        check_json TEXT NOT NULL CHECK (json_valid(check_json))
    ) STRICT;
INSERT INTO "record" VALUES(1,'fc46251435b37c6fc6e19ea3cbcea40217aea231e40bbea81a0ee44280b23a3b','2026-03-02T09:00:00Z',1,'5 mL of tarnadol','a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1','volume','within',5.0,0.25,4.983,0.021,-0.017,-0.0034,0.0042,0.05,1.0,10.0,0.5,'','0.1.0','{"reading": {"photo": "sha256:a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1", "status": "read", "reasons": [], "capacity_ml": 10.0, "interval_ml": 0.5, "volume_ml": 4.983, "standard_uncertainty_ml": 0.021, "liquid_ml": 4.983, "advisory": true, "schema": 1}, "target_ml": 5.0, "tolerance_ml": 0.25, "deviation_ml": -0.017, "verdict": "within", "probability_within": 1.0}');
INSERT INTO "record" VALUES(2,'d7848596daa33f7cbad9ef34657a4e1c21e84827ae89d6ac93daa026d185a050','2026-03-02T10:00:00Z',1,NULL,'b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2b2','volume','refused',5.0,0.25,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'glare','0.1.0','{"reading": {"status": "refused", "reasons": [{"code": "glare"}]}, "verdict": "refused"}');
INSERT INTO "record" VALUES(3,'15b9478be3bbf3412382d427bc3cd52586f8a810c8615b2ada49432e943d1a91','2026-03-03T09:00:00Z',2,'=4 mL','a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1','volume','outside',4.0,0.2,4.983,0.021,0.983,0.24575,0.00525,0.05,0.0,10.0,0.5,'','0.1.0','{"reading": {"photo": "sha256:a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1a1", "status": "read", "reasons": [], "capacity_ml": 10.0, "interval_ml": 0.5, "volume_ml": 4.983, "standard_uncertainty_ml": 0.021, "liquid_ml": 4.983, "advisory": true, "schema": 1}, "target_ml": 5.0, "tolerance_ml": 0.25, "deviation_ml": 1.0, "verdict": "outside", "probability_within": 1.0}');
INSERT INTO "record" VALUES(4,'61752ca8592700a7b0d77100954d587b3c38ecf9c7eb12c47db2b5a2c408c280','2026-03-04T09:00:00Z',2,NULL,NULL,'strength','undecided',NULL,NULL,NULL,NULL,NULL,0.03,0.02,0.05,0.8,NULL,NULL,'','0.1.0','{"before": {}, "after": {}, "verdict": "undecided"}');
CREATE INDEX record_of_learner ON record (learner_id, recorded_at);
CREATE INDEX record_of_photo ON record (photo_sha256);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('record',4);
COMMIT;
