# SPDX-License-Identifier: GPL-3.0-or-later
# Completion for bash: commands, options, plans and actuators of the bench folder. Options are asked of the
# program itself (--help starts in milliseconds), so they cannot fall behind it.

_bridle_names() # FOLDER: the files in it without .ini
{
	local file
	for file in "$1"/*.ini; do
		[ -e "$file" ] || continue
		file=${file##*/}
		printf '%s\n' "${file%.ini}"
	done
}

_bridle_argument() # WORD CUR BENCH: what fits an argument that the help calls WORD
{
	case $1 in
	DIR) compgen -d -- "$2" ;;
	PLAN) compgen -W "$(_bridle_names "$3/plans")" -- "$2" ;;
	ACTUATOR | NAME) compgen -W "$(_bridle_names "$3/actuators")" -- "$2" ;;
	*FILE* | *.csv | *.ini) compgen -f -- "$2" ;;
	esac
}

_bridle()
{
	local program=${COMP_WORDS[0]/#\~/$HOME} command=${COMP_WORDS[1]} cur=${COMP_WORDS[COMP_CWORD]}
	local prev=${COMP_WORDS[COMP_CWORD - 1]} bench=. help word i

	COMPREPLY=()
	if [ "$COMP_CWORD" -le 1 ]; then
		help=$("$program" --help 2>/dev/null | sed -n 's/^  \([a-z][a-z]*\) .*/\1/p')
		mapfile -t COMPREPLY < <(compgen -W "$help --help --version" -- "$cur")
		return
	fi
	for ((i = 2; i < COMP_CWORD - 1; i++)); do
		[ "${COMP_WORDS[i]}" = --bench ] && bench=${COMP_WORDS[i + 1]/#\~/$HOME}
	done
	help=$("$program" "$command" --help 2>/dev/null)
	if grep -q '^Topics:' <<<"$help"; then # calc: its topics are commands of their own
		word=$(sed -n '/^Topics:/,/^$/s/^  \([a-z][a-z]*\) .*/\1/p' <<<"$help")
		if [ "$COMP_CWORD" -eq 2 ]; then
			mapfile -t COMPREPLY < <(compgen -W "$word --help" -- "$cur")
			return
		fi
		help=$("$program" "$command" "${COMP_WORDS[2]}" --help 2>/dev/null)
	fi
	word=
	[[ $prev =~ ^--[a-z0-9-]+$ ]] && word=$(sed -n "s/^  $prev \\([^ ][^ ]*\\).*/\\1/p" <<<"$help")
	if [ -n "$word" ]; then
		mapfile -t COMPREPLY < <(_bridle_argument "$word" "$cur" "$bench")
	elif [[ $cur == -* ]]; then
		mapfile -t COMPREPLY < <(compgen -W "$(sed -n 's/^  \(--[a-z0-9-]*\).*/\1/p' <<<"$help")" -- "$cur")
	elif [ "$COMP_CWORD" -eq 2 ] && word=$(sed -n "1s/^Usage: bridle $command \\([a-z].*|.*\\)/\\1/p" <<<"$help") && [ -n "$word" ]; then
		# log: "list | show RUN | ...": the first word of each
		mapfile -t COMPREPLY < <(compgen -W "$(tr '|' '\n' <<<"$word" | awk '{ print $1 }')" -- "$cur")
	elif [ "$command ${COMP_WORDS[2]}" = "log history" ]; then # its usage has no room for the argument
		mapfile -t COMPREPLY < <(_bridle_argument ACTUATOR "$cur" "$bench")
	else
		word=$(sed -n '1s/^Usage: bridle [a-z ]* \[*\([A-Z][A-Za-z.]*\).*/\1/p' <<<"$help")
		mapfile -t COMPREPLY < <(_bridle_argument "$word" "$cur" "$bench")
	fi
}
complete -o filenames -F _bridle bridle
