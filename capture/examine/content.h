// What the bytes of a segment are, whoever said what before and behind them. The segmenter finds it
// out once for each segment, since many rules ask; of what was said before it remembers it.
#pragma once

#include <cstdint>
#include <optional>

#include "capture/base/bytes.h"
#include "capture/examine/secret_kind.h"

namespace witness {

struct Content {
  bool known = false;  // false: nobody has looked, and nothing below says anything
  bool all_text = false;
  // Only where all is text:
  bool final_code = false;    // its last line is a final result code of V.250
  bool command_line = false;  // of V.250
  // Of its last line, whatever is before that:
  bool connects = false;      // it begins with CONNECT
  bool hangs_up = false;      // it is NO CARRIER
  bool loose_return = false;  // see HasLooseReturn()
  bool names_value = false;   // there is a '=' in it
  // Found out only of what is remembered:
  bool sought = false;              // false: the two below say nothing
  bool secret = false;              // SecretsIn() finds some
  std::optional<SecretKind> asked;  // AskedFor()
  std::uint32_t text = 0;           // how many of the bytes are text
};

// `all_text`: what IsText() says of them. Secrets are not sought.
Content ContentOf(ByteView bytes, bool all_text);

// Whether there is a CR without its LF before more, or an ending twice at the end: what a value
// with a CR of its own shows as.
bool HasLooseReturn(ByteView bytes);

}  // namespace witness
