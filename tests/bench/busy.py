#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""C4: a second program at a rig that is in use is told so, by the control line, by the tether, and by a node that hangs up."""
import re
import socket
import threading

import harness

BUSY = b"!0 no busy =1ED0\n"


def socket_of(bench, name):
    path = bench.folder / "run" / name
    harness.wait_for(path.exists, 20, f"the bench's {name}")
    line = socket.socket(socket.AF_UNIX)
    line.connect(str(path))
    return line


def told(result):
    assert result.status == 1, result
    assert "another program drives this rig" in result.json["message"] and "Broken pipe" not in result.out, result


def a_second_program_is_told():
    with harness.Bench(9) as bench:
        first = socket_of(bench, "control.sock")
        first.sendall(b"?0 hello 1 =BA0E\n")
        assert first.recv(100).startswith(b"!0 ok 1 bench"), "the first is served"
        for _ in range(3):
            told(bench.run("probe", "--seconds", "1", "--json"))
        first.close()
        bench.must("probe", "--seconds", "1")


def a_second_host_at_the_tether_reads_the_line_of_the_page():
    page = (harness.ROOT / "docs" / "tether.md").read_text()
    assert BUSY.decode().strip() in page
    with harness.Bench(9) as bench:
        first, second = socket_of(bench, "tether.sock"), None
        first.sendall(b"\n?1 hello 1 =512D\n")
        heard = b""
        while b"!1 ok 1 " not in heard:
            heard += first.recv(200)
        second = socket_of(bench, "tether.sock")
        second.settimeout(10)
        assert second.recv(100) == BUSY
        assert second.recv(100) == b"", "the line is ended"


def a_node_over_tcp(answer):
    """A real rig whose node is busy: it says so, or it hangs up as nodes did before."""
    server = socket.create_server(("127.0.0.1", 0))

    def refuse():
        line, _ = server.accept()
        line.sendall(answer)
        line.shutdown(socket.SHUT_WR)
        line.settimeout(10)
        while line.recv(1000):
            pass
        line.close()
    thread = threading.Thread(target=refuse)
    thread.start()
    with harness.Bench(9) as bench:
        bench.stop()
        text = (bench.folder / "rig.ini").read_text()
        text = re.sub(r"(?m)^link = .*", f"link = tcp:127.0.0.1:{server.getsockname()[1]}", text)
        (bench.folder / "rig.ini").write_text(re.sub(r"(?ms)^\[virtual\].*?(?=^\[)", "", text))
        result = bench.run("probe", "--seconds", "1", "--json")
    thread.join()
    server.close()
    return result


def a_busy_node_says_so():
    told(a_node_over_tcp(BUSY))


def a_node_that_hangs_up_may_be_busy():
    result = a_node_over_tcp(b"")
    assert result.status == 3 and "another program may drive this rig" in result.json["message"], result


harness.main(a_second_program_is_told, a_second_host_at_the_tether_reads_the_line_of_the_page, a_busy_node_says_so,
             a_node_that_hangs_up_may_be_busy)
