#!/bin/bash
# Asks a Sedge module for firmware and signal; with a fault, if one is named.
#
#   watch.sh PORT [waits-lf | exact | too-early | first-line]
#
# Without a fault it copes: the good twin of every faulty one, which differs from it in that one
# thing.
port=$1
fault=${2:-none}
export LC_ALL=C
stty -F "$port" raw -echo 2>/dev/null
exec 3<>"$port"
# Through a pipe, as `read` changes the settings of a terminal.
exec 4< <(exec cat <&3)
reader=$!
trap 'kill $reader' EXIT

# What comes until the line has been silent for 150 ms; 1.5 s for the first byte.
until_silent() {
  local byte wait=1.5
  reply=
  while IFS= read -r -d '' -N 1 -t "$wait" byte <&4; do
    reply+=$byte
    wait=0.15
  done
}

# Lines, the last of them OK or ERROR. A line is over when its LF is there, however long that takes.
until_result_code() {
  local line
  reply=
  until [[ $reply == *OK* || $reply == *ERROR* ]]; do
    IFS= read -r line <&4
    reply+=$line$'\n'
  done
}

# What the module said to command $1, from $reply. The line ending may be any, or none.
text_of() {
  local lines text
  lines=${reply//$'\r'/$'\n'}
  case $1 in
    AT) text=$(grep -aoE 'OK|ERROR' <<<"$lines" | head -n 1) ;;
    *)
      text=$(grep -aoE "\\${1:2:-1}: .*" <<<"$lines" | head -n 1)
      text=${text#*: }
      text=${text%OK}
      ;;
  esac
  if [[ $fault == first-line ]]; then
    text=$(grep -av '^$' <<<"$lines" | head -n 1)
    [[ $text == OK ]] || text=${text%OK}
  fi
  if [[ $fault == exact && $reply != *$'\r\nOK\r\n' ]]; then text=; fi
  printf %s "$text"
}

for command in AT 'AT+FW?' 'AT+SIGNAL?'; do
  while IFS= read -r -d '' -N 1 -t 0.02 byte <&4; do :; done  # what is left of before
  printf '%s\r\n' "$command" >&3
  case $fault in
    waits-lf) until_result_code ;;
    too-early) reply=$(dd bs=256 count=1 2>/dev/null <&4 | tr -d '\0') ;;
    *) until_silent ;;
  esac
  text=$(text_of "$command")
  if [[ -z $text ]]; then
    echo "no reply that I know to $command"
    exit 1
  fi
  echo "$command -> $text"
done
