#!/bin/bash
# Asks a Sedge module for firmware and signal; with a fault, if one is named.
#
#   watch.sh PORT [waits-lf | exact | too-early]
#
# Without a fault it copes: the good twin of every faulty one.
port=$1
fault=${2:-none}
export LC_ALL=C
stty -F "$port" raw -echo 2>/dev/null
exec 3<>"$port"

# What comes until the line has been silent for 150 ms; 1.5 s for the first byte.
all_of_it() {
  local byte wait=1.5
  reply=
  while IFS= read -r -d '' -N 1 -t "$wait" byte <&3; do
    reply+=$byte
    wait=0.15
  done
}

for command in AT 'AT+FW?' 'AT+SIGNAL?'; do
  while IFS= read -r -d '' -N 1 -t 0.02 byte <&3; do :; done  # what is left of before
  printf '%s\r\n' "$command" >&3
  case $fault in
    waits-lf)
      # A line is over when its LF is there, however long that takes.
      reply=
      until [[ $reply == *OK* || $reply == *ERROR* ]]; do
        IFS= read -r line <&3
        reply+=$line$'\n'
      done
      IFS= read -r -t 0.02 line <&3
      ;;
    exact)
      # Lines are taken as they come, the CR with them. (read -N would make LF of CR.)
      reply=
      while IFS= read -r -t 0.3 line <&3; do reply+=$line$'\n'; done
      reply+=$line
      ;;
    too-early) reply=$(dd bs=256 count=1 2>/dev/null <&3 | tr -d '\0') ;;
    *) all_of_it ;;
  esac
  if [[ -z $reply ]]; then
    echo "no reply to $command"
    exit 1
  fi
  if [[ $fault == exact && $reply != *$'OK\r\n'* ]]; then
    echo "not the reply that I know"
    exit 1
  fi
  text=$(tr '\r' '\n' <<<"$reply" | grep -ao '+[A-Z]*: .*' | sed -e 's/OK *$//' | head -n 1)
  if [[ -z $text ]]; then
    [[ $reply == *OK* ]] && text=OK
    [[ $reply == *ERROR* ]] && text=ERROR
  fi
  echo "$command -> $text"
done
