#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Is every C file drawn as .clang-format says, and no line longer than 120 columns (a tab is eight)? Comments and texts, which the
# tool leaves alone, are counted too. Needs clang-format 14 or later. Not part of the suite.
# Usage: tests/style/format.sh [FILE ...]    (all files without one; exits with 1 and the places when something differs)
set -uo pipefail
cd "$(dirname "$0")/../.."

command -v clang-format >/dev/null || { echo "format.sh: clang-format is not installed" >&2; exit 3; }
files=("$@")
[ ${#files[@]} -gt 0 ] || mapfile -t files < <(git ls-files '*.c' '*.h')

status=0
clang-format --dry-run -Werror "${files[@]}" || status=1
python3 - "${files[@]}" <<'CHECK' || status=1
import sys
long = [f"{name}:{no}: {width} columns, at most 120" for name in sys.argv[1:]
        for no, line in enumerate(open(name, encoding="utf-8"), 1)
        if (width := len(line.rstrip("\n").expandtabs(8))) > 120]
print("\n".join(long))
sys.exit(bool(long))
CHECK
exit $status
