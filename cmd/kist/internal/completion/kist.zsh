#compdef kist
# Completion of kist for zsh. Save it as _kist in a folder of $fpath, or load it with:
#   source <(kist help --completion zsh)

_kist() {
  local line value kind
  local -a whole wholeShown begun begunShown
  for line in "${(@f)$("${(@Q)words[1]}" complete -- "${(@Q)words[2,CURRENT-1]}" "${(Q)PREFIX}" 2>/dev/null)}"; do
    value=${line%%$'\t'*}
    if [[ -z $value ]]; then
      kind=${line#*$'\t'}
    elif [[ $value == *[/=@] ]]; then # more follows
      begun+=("$value")
      begunShown+=("$value  ${line#*$'\t'}")
    else
      whole+=("$value")
      wholeShown+=("$value  ${line#*$'\t'}")
    fi
  done
  (( $#whole )) && compadd -l -d wholeShown -a whole
  (( $#begun )) && compadd -l -S '' -d begunShown -a begun
  case $kind in
    files) _files ;;
    folders) _files -/ ;;
  esac
}

if [[ $zsh_eval_context[-1] == loadautofunc ]]; then
  _kist "$@"
else
  compdef _kist kist
fi
