# SPDX-License-Identifier: GPL-3.0-or-later
"""A bench folder that is calibrated and mapped once; each case of a test sweeps on a copy."""
import pathlib
import shutil
import tempfile

import harness


class Prepared:
    """edit changes the folder before the bench draws its truth. get: the folder, made at the first call."""

    def __init__(self, seed, edit):
        self.seed, self.edit, self.folder = seed, edit, None

    def get(self):
        if self.folder is None:
            self.home = tempfile.TemporaryDirectory(prefix="bridle-")
            self.folder = pathlib.Path(self.home.name) / "prepared"
            with harness.Bench(self.seed, edit=self.edit) as bench:
                bench.must("hang", "--hands", "--series", "1", "--steps", "4")
                bench.must("map", "--actuator", "paddle-winder", "--currents", "5")
                bench.stop()
                shutil.copytree(bench.folder, self.folder, ignore=shutil.ignore_patterns("run", "*.sock"))
        return self.folder
