# An examination's segments, one a line: what it is, what was said, what a protocol calls it.
.segment[] | select(.kind != "KIND_SILENCE") |
  (.kind | ltrimstr("KIND_") | ascii_downcase) + "  " + .shown +
  (if (.protocol // "") != "" then "  [" + .protocol + "]" else "" end)
