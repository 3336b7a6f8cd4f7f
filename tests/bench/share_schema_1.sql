-- SPDX-License-Identifier: GPL-3.0-or-later
-- The first schema of bridle share, as databases have it that were made by it: share.py brings them up to date.
-- Runs of many rigs in one PostgreSQL database (docs/share.md). The logbooks stay the record; this is a copy that can be
-- made again at any time. One row a run and a record, whole documents in it; views give them as tables.
CREATE SCHEMA IF NOT EXISTS bridle;

CREATE TABLE IF NOT EXISTS bridle.run (
  rig text NOT NULL,
  begun timestamptz NOT NULL,
  run bigint NOT NULL,             -- its number in that rig's logbook
  actuator text NOT NULL,
  plan text NOT NULL,
  virtual_bench boolean NOT NULL,
  outcome text NOT NULL,
  digest text NOT NULL,            -- SHA-256 of what was measured
  program text NOT NULL,           -- version that reduced it
  calibration bigint NOT NULL,     -- record of the same rig
  report jsonb NOT NULL,           -- as report.json, with sources beside each point
  PRIMARY KEY (rig, begun, run)
);

CREATE TABLE IF NOT EXISTS bridle.record (
  rig text NOT NULL,
  written timestamptz NOT NULL,
  record bigint NOT NULL,          -- its number in that rig's logbook
  kind text NOT NULL,              -- calibration, check
  document jsonb NOT NULL,
  PRIMARY KEY (rig, written, record)
);

CREATE OR REPLACE VIEW bridle.point AS
SELECT r.rig, r.begun, r.run, r.actuator, r.virtual_bench, p.*
FROM bridle.run r, jsonb_to_recordset(r.report->'points') AS p(
  step int, direction text, repeat boolean, settled boolean, "limit" text,
  "torque_Nm" float8, "u_torque_Nm" float8, "U_torque_Nm" float8,
  "speed_rpm" float8, "u_speed_rpm" float8, "U_speed_rpm" float8,
  "shaft_power_W" float8, "u_shaft_power_W" float8, "U_shaft_power_W" float8,
  "voltage_V" float8, "current_A" float8, "input_power_W" float8, "u_input_power_W" float8,
  efficiency float8, u_efficiency float8, "U_efficiency" float8, "winding_degC" float8, "case_degC" float8);

CREATE OR REPLACE VIEW bridle.verdict AS
SELECT r.rig, r.begun, r.run, r.actuator, r.virtual_bench, c.*
FROM bridle.run r, jsonb_to_recordset(r.report->'claims') AS c(
  claim text, "text" text, claimed float8, verdict text, probability float8, why text);

CREATE OR REPLACE VIEW bridle.source AS
SELECT r.rig, r.begun, r.run, (p.value->>'step')::int AS step, p.value->>'direction' AS direction, q.key AS quantity, s.name, s.u
FROM bridle.run r, jsonb_array_elements(r.report->'points') AS p, jsonb_each(p.value->'sources') AS q,
  jsonb_to_recordset(q.value) AS s(name text, u float8);

CREATE OR REPLACE VIEW bridle.calibration AS
SELECT rig, written, record, (document->>'class_value')::float8 AS class, (document->>'min_Nm')::float8 AS "min_Nm",
  (document->>'max_Nm')::float8 AS "max_Nm", (document->>'repeatability_Nm')::float8 AS "repeatability_Nm",
  (document->'coefficients'->>1)::float8 AS "sensitivity_count_per_Nm", document
FROM bridle.record WHERE kind = 'calibration';

CREATE OR REPLACE VIEW bridle.check_weight AS
SELECT rig, written, record, (document->>'calibration_id')::bigint AS calibration, (document->>'expected_Nm')::float8 AS "expected_Nm",
  (document->>'off_Nm')::float8 AS "off_Nm", (document->>'E_n')::float8 AS "E_n", (document->>'ok')::boolean AS ok
FROM bridle.record WHERE kind = 'check';
