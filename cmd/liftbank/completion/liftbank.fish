# Completes the commands, flags and names of liftbank in fish. Made available by the package, or by:
#   liftbank completion fish | source
function __liftbank_complete
	set -l words (commandline -opc)
	set -l cur (commandline -ct)
	test -n "$cur"; or set cur ''
	for line in ($words[1] complete -- $words[2..-1] "$cur" 2>/dev/null)
		if test "$line" = :files
			__fish_complete_path (string replace -r -- '^--[^=]*=' '' "$cur")
		else
			printf '%s\n' $line
		end
	end
end
complete -c liftbank -f -a '(__liftbank_complete)'
