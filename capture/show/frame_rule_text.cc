#include "capture/show/frame_rule_text.h"

#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/text_format.h>

#include <fstream>
#include <sstream>

#include "proto/examination.pb.h"

namespace witness {
namespace {

class FirstError : public google::protobuf::io::ErrorCollector {
 public:
  void AddError(int line, google::protobuf::io::ColumnNumber column,
                const std::string& message) override {
    if (!text.empty()) return;
    text = "line " + std::to_string(line + 1) + ", column " + std::to_string(column + 1) + ": " +
           message;
  }
  std::string text;
};

Status OneByte(const std::string& bytes, const char* name, std::optional<std::uint8_t>& out) {
  if (bytes.empty()) return OkStatus();
  if (bytes.size() != 1)
    return Status(Code::kInvalidArgument, std::string(name) + " is to be one byte");
  out = static_cast<std::uint8_t>(bytes[0]);
  return OkStatus();
}

}  // namespace

Result<FrameRule> ParseFrameRule(const std::string& text) {
  bytewitness::FrameRule message;
  FirstError error;
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&error);
  if (!parser.ParseFromString(text, &message))
    return Status(Code::kInvalidArgument, error.text.empty() ? "not a framing" : error.text);
  FrameRule rule;
  rule.name = message.name();
  rule.start = message.start();
  rule.end = message.end();
  Status status = OneByte(message.escape(), "escape", rule.escape);
  std::optional<std::uint8_t> combined;
  if (status.ok()) status = OneByte(message.escape_xor(), "escape_xor", combined);
  if (!status.ok()) return status;
  rule.escape_xor = combined.value_or(0);
  rule.fixed_size = message.fixed_size();
  if (message.has_length()) {
    FrameRule::LengthField field;
    field.offset = message.length().offset();
    field.size = message.length().size() == 0 ? 1 : message.length().size();
    field.big_endian = message.length().big_endian();
    field.adds = message.length().adds();
    rule.length = field;
  }
  if (message.has_checksum()) {
    FrameRule::Check check;
    check.name = message.checksum().name();
    check.from = message.checksum().from();
    check.behind = message.checksum().behind();
    check.big_endian = message.checksum().big_endian();
    rule.check = check;
  }
  if (message.longest() != 0) rule.longest = message.longest();
  status = CheckRule(rule);
  if (!status.ok()) return status;
  return rule;
}

Result<FrameRule> LoadFrameRule(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in.is_open()) return Status(Code::kNotFound, path + ": cannot be opened");
  std::ostringstream text;
  text << in.rdbuf();
  auto rule = ParseFrameRule(text.str());
  if (!rule.ok()) return rule.status().In(path);
  return rule;
}

}  // namespace witness
