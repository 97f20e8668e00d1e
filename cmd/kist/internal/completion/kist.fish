# Completion of kist for fish. Save it as ~/.config/fish/completions/kist.fish, or load it with:
#   kist help --completion fish | source

function __kist_complete
    set -l words (commandline -opc)
    set -l current (commandline -ct)
    for line in ($words[1] complete -- $words[2..-1] "$current" 2>/dev/null)
        switch $line
            case \tfiles
                __fish_complete_path "$current"
            case \tfolders
                __fish_complete_directories "$current" ''
            case '*'
                printf '%s\n' $line
        end
    end
end

complete -c kist -f -a '(__kist_complete)'
