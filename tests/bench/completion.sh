#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The completion offers each command, each of its options, and the plans and actuators of the bench folder.
# Usage: completion.sh BRIDLE COMPLETION-FILE
set -uo pipefail
bridle=$(realpath "$1") status=0 number=0
source "$2"
home=$(mktemp -d)
trap 'rm -rf "$home"' EXIT

complete_line() # WORD...: the offers for the last word
{
	COMP_WORDS=("$@") COMP_CWORD=$(($# - 1))
	_bridle
	printf '%s\n' "${COMPREPLY[@]}"
}

check() # NAME WANTED FOUND: each word of WANTED is a line of FOUND
{
	local word missing=
	number=$((number + 1))
	for word in $2; do
		grep -qxF -- "$word" <<<"$3" || missing+=" $word"
	done
	if [ -z "$missing" ] && [ -n "$2" ]; then
		echo "ok $number - $1"
	else
		echo "not ok $number - $1: missing${missing:- everything}"
		status=1
	fi
}

commands="new probe hang map ready sweep reduce report log calc bench"
check commands "$commands --help --version" "$(complete_line "$bridle" '')"
check "a command begun" "report reduce ready" "$(complete_line "$bridle" re)"
for command in $commands; do
	[ "$command" = calc ] && continue
	# Every word that begins with two dashes in the help's table, whatever its layout.
	wanted=$("$bridle" "$command" --help | sed -n '/^Options:/,/^$/p' | grep -oE '^ +--[a-z0-9-]+')
	check "options of $command" "--bench --json --quiet --help $wanted" "$(complete_line "$bridle" "$command" --)"
done
check "acts of log" "list show export verify note" "$(complete_line "$bridle" log '')"
check "topics of calc" "regress mean allan budget montecarlo gravity air weight t" "$(complete_line "$bridle" calc '')"
check "options of calc regress" "--json --degree" "$(complete_line "$bridle" calc regress --)"

"$bridle" new "$home/a bench" --virtual --quiet || exit 1
check "plans of a bench folder" "gentle lock-sweep" "$(complete_line "$bridle" sweep --bench "$home/a bench" '')"
check "a plan begun" "lock-sweep" "$(complete_line "$bridle" ready --bench "$home/a bench" lo)"
check "actuators" "paddle-winder" "$(complete_line "$bridle" map --bench "$home/a bench" --actuator '')"
check "actuators of a history" "paddle-winder" "$(complete_line "$bridle" log history --bench "$home/a bench" '')"
cd "$home/a bench" && check "plans here" "gentle lock-sweep" "$(complete_line "$bridle" sweep '')"
echo "1..$number"
exit $status
