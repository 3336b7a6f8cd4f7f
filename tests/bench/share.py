#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""bridle share into a PostgreSQL server of the distribution that this test starts for itself, on a socket in a folder of its
own: what stands there afterwards, a database that fails in the middle, one that is away; a thousand runs, killed and gone on with.
With longer windows, on demand: share.py --window 10"""
import json
import math
import os
import pathlib
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
import time

import harness

HOME = pathlib.Path(tempfile.mkdtemp(prefix="bridle-share-"))
BENCH = harness.Bench(seed=6)


def server_folder():
    folders = sorted(pathlib.Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if not folders:
        raise harness.Skipped("no PostgreSQL server is installed")
    return folders[-1].parent


def as_owner(*args):
    """The server does not run as root."""
    if os.getuid() == 0:
        args = ("runuser", "-u", "postgres", "--", *args)
    done = subprocess.run([str(a) for a in args], capture_output=True, text=True, timeout=120, cwd="/")
    assert done.returncode == 0, f"{args}: {done.stdout}{done.stderr}"


def start_server():
    if os.getuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(HOME, user.pw_uid, user.pw_gid)
    HOME.chmod(0o755)
    as_owner(server_folder() / "initdb", "-D", HOME / "data", "-A", "trust", "-U", "keeper", "--no-sync")
    as_owner(server_folder() / "pg_ctl", "-D", HOME / "data", "-w", "-l", HOME / "log", "-o",
             f"-c listen_addresses='' -c unix_socket_directories={HOME} -c fsync=off", "start")


def stop_server():
    if (HOME / "data" / "postmaster.pid").exists():
        as_owner(server_folder() / "pg_ctl", "-D", HOME / "data", "-m", "immediate", "stop")


WHERE = f"host={HOME} user=keeper dbname=postgres"


def sql(text):
    done = subprocess.run(["psql", "-XAtq", "-v", "ON_ERROR_STOP=1", "-d", WHERE, "-c", text], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return [line.split("|") for line in done.stdout.splitlines()]


def share(status=0):
    done = BENCH.run("share", WHERE, "--json")
    assert done.status == status, done
    said = json.loads(done.out)
    assert status or not said.pop("views_old"), said
    return said


def make_runs():
    BENCH.start()
    BENCH.must("hang", "--hands")
    BENCH.must("map", "--actuator", "paddle-winder")
    BENCH.must("ready", "gentle", "--hands", "--answers", "yes")
    for _ in range(3):
        BENCH.must("sweep", "gentle")
    BENCH.stop()


def a_database_that_fails_in_the_middle_is_gone_on_with():
    start_server()
    BENCH.start()
    BENCH.must("probe", "--seconds", "1")
    BENCH.stop()
    done = BENCH.run("share", WHERE)
    assert done.status == 0 and done.out.startswith("Nothing to share: "), done
    make_runs()
    assert share() == {"runs": 3, "known": 0, "left_out": 0, "records": 2}
    sql("DELETE FROM bridle.run")
    sql("""CREATE FUNCTION fails() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
             IF (SELECT count(*) FROM bridle.run) >= 1 THEN RAISE EXCEPTION 'the disk is full'; END IF; RETURN NEW; END $$;
           CREATE TRIGGER fails BEFORE INSERT ON bridle.run FOR EACH ROW EXECUTE FUNCTION fails()""")
    said = share(3)
    assert "the disk is full" in said["message"], said
    assert sql("SELECT count(*) FROM bridle.run") == [["1"]]
    sql("DROP TRIGGER fails ON bridle.run")
    assert share() == {"runs": 2, "known": 1, "left_out": 0, "records": 0}
    assert share() == {"runs": 0, "known": 3, "left_out": 0, "records": 0}
    assert sql("SELECT count(*), count(DISTINCT run) FROM bridle.run") == [["3", "3"]]


def every_number_of_the_report_stands_there():
    report = BENCH.must("report", "--no-figures")
    rows = sql(f"""SELECT step, direction, settled, "limit", "torque_Nm", "u_torque_Nm", "speed_rpm", efficiency FROM bridle.point
                   WHERE run = {report['run']}""")
    assert len(rows) == len(report["points"]) > 3
    for row, p in zip(rows, report["points"]):
        assert row[:4] == [str(p["step"]), p["direction"], "t" if p["settled"] else "f", p["limit"]], (row, p)
        for text, key in zip(row[4:], ("torque_Nm", "u_torque_Nm", "speed_rpm", "efficiency")):
            assert (text == "" and p[key] is None) or float(text) == p[key], (key, text, p[key])
    verdicts = sql(f"SELECT claim, verdict FROM bridle.verdict WHERE run = {report['run']}")
    assert verdicts == [[c["claim"], c["verdict"]] for c in report["claims"]] and verdicts
    # the sources of a point sum up to its u
    for row in sql("""SELECT sqrt(sum(s.u * s.u)), max(p."u_torque_Nm") FROM bridle.source s JOIN bridle.point p USING (rig, begun, run, step,
                      direction) WHERE s.quantity = 'torque_Nm' AND NOT p.repeat AND p.direction = 'up' GROUP BY run, step"""):
        assert abs(float(row[0]) / float(row[1]) - 1) < 1e-9, row
    assert sql("SELECT class IS NOT NULL, \"max_Nm\" > 10 FROM bridle.calibration") == [["t", "t"]]
    assert sql("SELECT ok FROM bridle.check_weight") == [["t"]]


def names_cannot_say_anything_to_the_database():
    BENCH.replace("rig.ini", "name = Heron Lock bench", "name = x'); DROP SCHEMA bridle CASCADE; --")
    BENCH.start()
    BENCH.must("sweep", "gentle", "--forced", "a test")
    BENCH.stop()
    assert share()["runs"] == 1
    assert sql("SELECT count(*) FROM bridle.run WHERE rig LIKE 'x''); DROP%'") == [["1"]]


def a_run_that_is_reduced_by_another_version_is_renewed():
    sql("UPDATE bridle.run SET program = '0.0.1', report = '{}'")
    assert share()["runs"] == 4
    assert sql("SELECT count(*) FROM bridle.run WHERE report = '{}'") == [["0"]]


def a_procedure_is_shared_by_its_numbers():
    """The view has the number of the command's own document; its readings are no load steps."""
    steps = sql("SELECT count(*) FROM bridle.point")
    BENCH.start()
    found = BENCH.must("obey", "--actuator", "paddle-winder", "--torque", "20 N.m", "--steps", "3", "--hands", "--answers", "yes")
    BENCH.stop()
    assert share() == {"runs": 1, "known": 4, "left_out": 0, "records": 0}
    rows = {row[0]: (float(row[1]), float(row[2])) for row in sql(f"SELECT quantity, value, u FROM bridle.result WHERE run = {found['run_id']} AND kind = 'obey'")}
    assert {"gain", "offset_Nm", "dead_band_Nm", "hysteresis_Nm"} <= rows.keys(), rows
    for key, pair in rows.items():
        assert math.isclose(pair[0], found[key]["value"], rel_tol=1e-9) and math.isclose(pair[1], found[key]["u"], rel_tol=1e-9), (key, pair, found[key])
    assert sql("SELECT count(*) FROM bridle.point") == steps


def a_thousand_runs_are_shared_killed_and_gone_on_with():
    """Killed twice, so that no cleaning up helps; then nothing is missing and nothing stands there twice. Prints what a whole share takes."""
    window = sys.argv[sys.argv.index("--window") + 1] if "--window" in sys.argv else "1"
    many = HOME / "many"
    many.mkdir()
    subprocess.run([os.environ["MADE_RUNS"], str(many / "logbook"), "1000", window, "3"], check=True)
    share_all = [harness.BRIDLE, "share", WHERE, "--bench", str(many), "--json"]

    def count():
        return int(sql("SELECT count(*) FROM bridle.run WHERE rig = 'Made rig'")[0][0])

    for least in (100, 500):
        began = subprocess.Popen(share_all, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, start_new_session=True)
        harness.wait_for(lambda: count() >= least, 120, f"{least} runs in the database")
        os.killpg(began.pid, signal.SIGKILL)
        began.wait(20)
        assert least <= count() < 1000, count()
    there = count()
    began = time.monotonic()
    done = harness.run("share", WHERE, "--bench", many, "--json", timeout=600)
    assert done.status == 0 and done.json == {"runs": 1000 - there, "known": there, "left_out": 0, "records": 0, "views_old": False}, done
    assert sql("SELECT count(*), count(DISTINCT run), count(DISTINCT digest) FROM bridle.run WHERE rig = 'Made rig'") == [["1000"] * 3]
    assert sql("SELECT count(*), count(DISTINCT (run, step)) FROM bridle.point WHERE rig = 'Made rig'") == [["4000"] * 2]
    assert sql("SELECT count(*) FROM bridle.record WHERE kind = 'calibration' AND rig = 'Made rig'") == [["1"]]
    print(f"# the last {1000 - there} of 1000 runs were shared in {time.monotonic() - began:.1f} s", flush=True)
    sql("DELETE FROM bridle.run WHERE rig = 'Made rig'")
    began = time.monotonic()
    done = harness.run("share", WHERE, "--bench", many, "--json", timeout=600)
    took_s = time.monotonic() - began
    assert done.status == 0 and done.json["runs"] == 1000 and count() == 1000, done
    print(f"# 1000 runs were shared in {took_s:.1f} s (aim: under 30 s)", flush=True)


def views():
    """Name, columns and the row of the catalogue that each make of it renews."""
    return sql("""SELECT c.relname, c.xmin::text, string_agg(a.attname, ' ' ORDER BY a.attnum) FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
                  WHERE c.relnamespace = to_regnamespace('bridle') AND c.relkind = 'v' AND a.attnum > 0 GROUP BY 1, 2 ORDER BY 1""")


def columns(found):
    return [(row[0], row[2]) for row in found]


def an_older_database_gets_the_views_of_this_program():
    """Views of the first schema, as they stood in the program's history: brought up to date by their owner, once, with all rows kept; by
    nobody else. What a newer program made is left as it is."""
    new, rows = views(), sql("SELECT count(*) FROM bridle.run")
    everything = "; ".join(f"DROP VIEW bridle.{row[0]}" for row in new)
    first = (pathlib.Path(__file__).parent / "share_schema_1.sql").read_text()
    for more in ("", "DROP VIEW bridle.verdict; CREATE VIEW bridle.verdict AS SELECT run, rig FROM bridle.run"):
        sql(f"{everything}; COMMENT ON SCHEMA bridle IS NULL; {first}; {more}")
        sql("GRANT SELECT ON bridle.point TO PUBLIC")
        assert "result" not in [row[0] for row in views()] and len(views()) == len(new) - 1
        steps = sql("SELECT count(*) FROM bridle.point")
        sql("DROP ROLE IF EXISTS hand; CREATE ROLE hand LOGIN; GRANT USAGE ON SCHEMA bridle TO hand; "
            "GRANT SELECT, INSERT, UPDATE ON bridle.run, bridle.record TO hand")
        done = BENCH.run("share", WHERE.replace("user=keeper", "user=hand"))
        assert done.status == 0 and "Their owner does it by running bridle share once." in done.out, done
        assert len(views()) == len(new) - 1
        share()
        now = views()
        assert columns(now) == columns(new) and sql("SELECT count(*) FROM bridle.run") == rows
        assert int(sql("SELECT count(*) FROM bridle.point")[0][0]) < int(steps[0][0])  # readings of a procedure are no load steps
        assert more or sql("SELECT has_table_privilege('hand', 'bridle.point', 'SELECT')") == [["t"]]
        assert BENCH.run("share", WHERE.replace("user=keeper", "user=hand"), "--json").json["views_old"] is False
        share()
        assert views() == now  # the second time nothing is made
        sql("DROP OWNED BY hand; DROP ROLE hand")
    sql("COMMENT ON SCHEMA bridle IS 'bridle share, version 99'; DROP VIEW bridle.check_weight")
    share()
    assert "check_weight" not in [row[0] for row in views()]


def a_wrong_way_to_the_database_is_told_as_one():
    """What libpq's documentation does not allow ("Connection Strings" and its list of key words) is a mistake of who typed it: exit 2."""
    for where, word in ((f"{WHERE} dbname", "missing"), (f"{WHERE} colour=red", "colour"), (f"{WHERE} port=abc", "abc"),
                        (f"{WHERE} port=70000", "70000"), ("postgresql://h:a:b/d", "a:b"), ("service=nowhere", "nowhere"),
                        (f"{WHERE} sslmode=perhaps", "perhaps"), (f"{WHERE} connect_timeout=soon", "soon")):
        done = BENCH.run("share", where)
        assert done.status == 2 and "is not valid; correct it: " in done.err and word in done.err and done.err.count("\n") == 1, (where, done)
    for where in (WHERE.replace("=postgres", "=nosuch"), WHERE.replace("=keeper", "=nobody")):
        done = BENCH.run("share", where)
        assert done.status == 3 and "the database refused: " in done.err and "does not exist" in done.err, (where, done)
    assert BENCH.run("share", f"{WHERE} port=5432 connect_timeout=5").status == 0


def a_database_that_is_away_is_one_sentence():
    stop_server()
    said = share(3)
    assert said["message"].startswith("the database is away: ") and said["message"].isprintable(), said
    done = BENCH.run("share", "host=")
    assert done.status == 3 and done.err.count("\n") <= 3, done


try:
    harness.main(a_database_that_fails_in_the_middle_is_gone_on_with, every_number_of_the_report_stands_there,
                 names_cannot_say_anything_to_the_database, a_run_that_is_reduced_by_another_version_is_renewed,
                 a_procedure_is_shared_by_its_numbers, an_older_database_gets_the_views_of_this_program, a_thousand_runs_are_shared_killed_and_gone_on_with,
                 a_wrong_way_to_the_database_is_told_as_one, a_database_that_is_away_is_one_sentence)
finally:
    stop_server()
    shutil.rmtree(HOME, ignore_errors=True)
