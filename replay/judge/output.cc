#include "replay/judge/output.h"

#include <re2/re2.h>

#include "capture/base/text.h"

namespace trial {

using witness::Code;
using witness::Result;
using witness::Status;

namespace {

Bytes WithoutTimes(Bytes text) {
  static const RE2 time_of_day("(\\b|T)[0-9]{1,2}:[0-9]{2}(:[0-9]{2}([.,][0-9]+)?)?(Z|\\b)",
                               RE2::Latin1);
  // Seconds since 1970, from 2023 to 2036; with three digits more, milliseconds.
  static const RE2 since_1970("\\b(1[7-9]|20)[0-9]{8}([0-9]{3}|[.,][0-9]+)?\\b", RE2::Latin1);
  static const RE2 length_of_time("\\b[0-9]+([.,][0-9]+)? ?(ns|us|ms|s|sec|secs|second|seconds)\\b",
                                  RE2::Latin1);
  RE2::GlobalReplace(&text, time_of_day, "#");
  RE2::GlobalReplace(&text, since_1970, "#");
  RE2::GlobalReplace(&text, length_of_time, "#");
  return text;
}

Bytes OneSpaced(ByteView text) {
  Bytes out;
  for (const char c : text) {
    if (c != ' ' && c != '\t')
      out += c;
    else if (!out.empty() && out.back() != ' ')
      out += ' ';
  }
  if (!out.empty() && out.back() == ' ') out.pop_back();
  return out;
}

}  // namespace

struct Patterns::Compiled {
  Compiled(const std::string& pattern, const RE2::Options& options)
      : text(pattern), expression(pattern, options) {}
  std::string text;
  RE2 expression;
};

Patterns::Patterns() = default;
Patterns::~Patterns() = default;
Patterns::Patterns(Patterns&&) noexcept = default;
Patterns& Patterns::operator=(Patterns&&) noexcept = default;

Result<Patterns> Patterns::Compile(const std::vector<std::string>& patterns) {
  RE2::Options options;
  options.set_encoding(RE2::Options::EncodingLatin1);  // output may hold any byte
  options.set_log_errors(false);
  Patterns compiled;
  for (const std::string& pattern : patterns) {
    compiled.all_.push_back(std::make_unique<Compiled>(pattern, options));
    const RE2& expression = compiled.all_.back()->expression;
    if (!expression.ok())
      return Status(Code::kInvalidArgument,
                    "'" + witness::SafeName(pattern) +
                        "' is not a regular expression: " + expression.error());
  }
  return compiled;
}

std::size_t Patterns::size() const { return all_.size(); }
const std::string& Patterns::text(std::size_t i) const { return all_[i]->text; }

bool Patterns::Found(std::size_t i, ByteView text) const {
  return RE2::PartialMatch(re2::StringPiece(text.data(), text.size()), all_[i]->expression);
}

Bytes Patterns::Without(ByteView text) const {
  std::string out(text);
  for (const auto& one : all_) RE2::GlobalReplace(&out, one->expression, "");
  return out;
}

Instant OutputLine::DiffersAt(const OutputLine& other) const {
  std::size_t same = 0;
  while (same < text.size() && same < other.text.size() && text[same] == other.text[same]) ++same;
  // Shorter: not before its last byte.
  if (same == text.size() && same > 0) --same;
  Instant when = at;
  for (const auto& [from, read] : later)
    if (from <= same) when = read;
  return when;
}

std::vector<OutputLine> OutputLines(const Observations& observations, const Patterns& ignore) {
  std::vector<OutputLine> lines;
  for (const bool errors : {false, true}) {
    OutputLine line;
    line.errors = errors;
    const auto end = [&] {
      const std::string& port = observations.port_name;
      for (std::size_t at = 0; !port.empty() && (at = line.text.find(port, at)) != Bytes::npos;)
        line.text.replace(at, port.size(), "{port}");
      line.compared = OneSpaced(WithoutTimes(ignore.Without(line.text)));
      if (!line.compared.empty()) lines.push_back(line);
      line.text.clear();
      line.later.clear();
    };
    for (const Printed& printed : observations.printed) {
      if (printed.errors != errors) continue;
      for (const char c : printed.bytes) {
        if (c == '\r' || c == '\n') {
          end();
          continue;
        }
        if (line.text.empty()) line.at = printed.at;
        if (const Instant last = line.later.empty() ? line.at : line.later.back().second;
            !line.text.empty() && last != printed.at)
          line.later.emplace_back(line.text.size(), printed.at);
        line.text += c;
      }
    }
    end();
  }
  return lines;
}

}  // namespace trial
