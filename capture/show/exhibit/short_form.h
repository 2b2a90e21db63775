// The short form of an exhibit, for forums and trackers: settings, the exchange in question,
// digest.
#pragma once

#include <string>

#include "capture/base/instant.h"
#include "capture/base/result.h"
#include "capture/store/capture_reader.h"

namespace witness {

enum class ShortFormAs { kText, kMarkdown };

struct ShortFormOptions {
  ShortFormAs as = ShortFormAs::kText;
  // Only this of the capture is looked at; `heard` says why, if that is not all of it.
  ReaderOptions of;
  std::string heard;
  // What is shown of the conversation. Without: around the first finding that names a place, else
  // from the beginning; in any case a few exchanges.
  Instant from;
  Instant to = Instant::Never();
  std::size_t most_lines = 40;
};

struct ShortForm {
  std::string text;
  std::string secrets;  // what findings say of secrets in the capture; empty: nothing
};

// `name` is how the capture is called in it.
Result<ShortForm> MakeShortForm(const std::string& path, const std::string& name,
                                const ShortFormOptions& options);

}  // namespace witness
