#include "replay/part/part_text.h"

#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/text_format.h>

#include <fstream>
#include <optional>
#include <sstream>

#include "capture/base/text.h"
#include "replay/part/message_text.h"
#include "replay/part/part_message.h"

namespace trial {

using witness::Code;
using witness::Result;
using witness::Status;

std::string FormatExactDuration(Duration d) {
  static constexpr struct {
    std::int64_t scale;
    int digits;
    const char* unit;
  } kUnits[] = {{1'000'000'000, 9, "s"}, {1'000'000, 6, "ms"}, {1'000, 3, "us"}, {1, 0, "ns"}};
  const std::int64_t ns = d.ns() < 0 ? 0 : d.ns();
  if (ns == 0) return "0s";
  for (const auto& u : kUnits) {
    if (ns < u.scale) continue;
    std::string out = std::to_string(ns / u.scale);
    std::string rest = std::to_string(ns % u.scale);
    if (u.digits > 0 && ns % u.scale != 0) {
      rest.insert(0, static_cast<std::size_t>(u.digits) - rest.size(), '0');
      while (rest.back() == '0') rest.pop_back();
      out += "." + rest;
    }
    return out + u.unit;
  }
  return "0s";
}

Result<Part> ParsePart(std::string_view text) {
  bytewitness::Part message;
  TextPlaces places;
  if (Status status = ReadText(text, message, places); !status.ok()) return status;
  Status first;
  Part part = PartFromMessage(message, places.Complaints(message, first));
  if (!first.ok()) return first;
  return part;
}

std::string FormatPart(const Part& part) {
  bytewitness::Part message;
  PartToMessage(part, message);
  return "# proto-file: trial.proto\n# proto-message: bytewitness.Part\n" + WriteText(message);
}

Result<Part> LoadPart(const std::string& path) {
  auto text = ReadTextFile(path);
  if (!text.ok()) return text.status();
  auto part = ParsePart(*text);
  if (!part.ok()) return part.status().In(path);
  return part;
}

Status SavePart(const Part& part, const std::string& path, bool replace) {
  return WriteTextFile(FormatPart(part), path, replace);
}

Bytes SerializePart(const Part& part) {
  bytewitness::Part message;
  PartToMessage(part, message);
  return message.SerializeAsString();
}

Result<Part> DeserializePart(ByteView bytes) {
  bytewitness::Part message;
  if (!message.ParseFromArray(bytes.data(), static_cast<int>(bytes.size())))
    return Status(Code::kDamaged, "not a part in the schema's binary form");
  Status first;
  Part part = PartFromMessage(
      message, [&](const auto&, const std::string& field, int, const std::string& what) {
        if (first.ok()) first = Status(Code::kDamaged, field + ": " + what);
      });
  if (!first.ok()) return first;
  return part;
}

}  // namespace trial
