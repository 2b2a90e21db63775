#include "capture/examine/content.h"

#include "capture/examine/lines_of.h"
#include "capture/examine/protocols/v250.h"

namespace witness {

bool HasLooseReturn(ByteView bytes) {
  if (bytes.ends_with("\r\n\r\n")) return true;
  for (std::size_t at = 0; (at = bytes.find('\r', at)) != ByteView::npos; ++at)
    if (at + 1 < bytes.size() && bytes[at + 1] != '\n') return true;
  return false;
}

Content ContentOf(ByteView bytes, bool all_text) {
  Content out;
  out.known = true;
  out.all_text = all_text;
  out.text = static_cast<std::uint32_t>(all_text ? bytes.size() : CountText(bytes));
  if (bytes.empty()) return out;
  // Of bytes that are no text the last line is looked for only where it can be one of those.
  if (all_text || bytes.find("CONNECT") != ByteView::npos || Stripped(bytes).ends_with("CARRIER")) {
    const ByteView last = LastLine(bytes);
    out.connects = last.substr(0, 7) == "CONNECT";
    out.hangs_up = last == "NO CARRIER";
    out.final_code = all_text && v250::IsFinalResultCode(last);
    out.command_line = all_text && v250::IsCommandLine(bytes);
  }
  out.loose_return = HasLooseReturn(bytes);
  out.names_value = bytes.find('=') != ByteView::npos;
  return out;
}

}  // namespace witness
