# Completion of kist for bash. Load it with:
#   source <(kist help --completion bash)

_kist() {
  # COMP_WORDS is split at characters such as @ and = as well: put together what is typed as one word.
  local rest=${COMP_LINE:0:COMP_POINT} word value line kind= i
  local -a words=()
  for ((i = 0; i <= COMP_CWORD; i++)); do
    word=${COMP_WORDS[i]}
    if ((i == 0)) || [[ $rest == [[:space:]]* ]]; then
      rest=${rest#"${rest%%[![:space:]]*}"}
      words+=("")
    fi
    [[ $rest == "$word"* ]] || word=$rest
    words[${#words[@]}-1]+=$word
    rest=${rest#"$word"}
  done
  local current=${words[${#words[@]}-1]}
  # bash completes what stands behind the last of these characters.
  local breaks=${COMP_WORDBREAKS//[[:space:]\"\'\\]/}
  local stays=
  [[ -n $breaks ]] && stays=${current%"${current##*[$breaks]}"}
  stays=${stays%@} # an @ that begins a word is part of it, as readline has it
  COMPREPLY=()
  while IFS= read -r line; do
    value=${line%%$'\t'*}
    if [[ -z $value ]]; then
      kind=${line#*$'\t'}
      continue
    fi
    COMPREPLY+=("${value#"$stays"}")
  done < <("${words[0]}" complete -- "${words[@]:1}" 2>/dev/null)
  case $kind in
    files) while IFS= read -r value; do COMPREPLY+=("$value"); done < <(compgen -f -- "${current#"$stays"}") ;;
    folders) while IFS= read -r value; do COMPREPLY+=("$value"); done < <(compgen -d -- "${current#"$stays"}") ;;
  esac
  if [[ -n $kind ]]; then
    compopt -o filenames 2>/dev/null # which quotes them
  else
    for i in "${!COMPREPLY[@]}"; do printf -v "COMPREPLY[i]" %q "${COMPREPLY[i]}"; done
  fi
  [[ ${#COMPREPLY[@]} -eq 1 && ${COMPREPLY[0]} == *[/=@] ]] && compopt -o nospace 2>/dev/null
  return 0
}

complete -F _kist kist
