#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Is every C file drawn as .clang-format says, and no line longer than 120 columns (a tab is eight)? Comments and texts, which the
# tool leaves alone, are counted too. The code is written so that clang-format 14 and 19 (Debian 12 and 13) draw it alike.
# Usage: tests/style/format.sh [FILE ...]    (all files without one; exits with 1 and the places when something differs,
# with 77, which meson counts as skipped, where neither version is there)
set -uo pipefail
cd "$(dirname "$0")/../.."

major=$(clang-format --version 2>/dev/null | sed -n 's/.*version \([0-9]*\)\..*/\1/p')
case "$major" in
14 | 19) ;;
*) echo "format.sh: skipped: needs clang-format 14 or 19, found ${major:-none}" >&2; exit 77 ;;
esac
files=("$@")
[ ${#files[@]} -gt 0 ] || mapfile -t files < <(find calib docs reports rig tests -name '*.[ch]' | sort)
[ ${#files[@]} -gt 0 ] || { echo "format.sh: no C files found" >&2; exit 1; }

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
