# Completes the commands, flags and names of liftbank in bash. Made available by the package, or by:
#   source <(liftbank completion bash)
_liftbank() {
	local i line cur=${COMP_WORDS[COMP_CWORD]} words=()
	for ((i = 1; i <= COMP_CWORD; i++)); do # bash splits --flag=value into three words
		[ "${COMP_WORDS[i]}" = = ] || words+=("${COMP_WORDS[i]}")
	done
	if [ "$cur" = = ]; then
		cur= words+=("")
	fi
	COMPREPLY=()
	while IFS= read -r line; do
		if [ "$line" = :files ]; then
			compopt -o filenames 2>/dev/null
			while IFS= read -r line; do COMPREPLY+=("$line"); done < <(compgen -f -- "$cur")
		else
			COMPREPLY+=("${line%%$'\t'*}")
		fi
	done < <("${COMP_WORDS[0]}" complete -- "${words[@]}" 2>/dev/null)
}
complete -F _liftbank liftbank
