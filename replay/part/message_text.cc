#include "replay/part/message_text.h"

#include <google/protobuf/descriptor.h>
#include <google/protobuf/io/tokenizer.h>
#include <sys/stat.h>

#include <cerrno>
#include <cstring>
#include <fstream>
#include <sstream>

namespace trial {
namespace {

using google::protobuf::FieldDescriptor;
using google::protobuf::Message;
using google::protobuf::TextFormat;
using witness::Code;
using witness::Result;
using witness::Status;

constexpr std::size_t kLargestFile = 64'000'000;

std::string Place(int line, int column) {
  return std::to_string(line + 1) + ":" + std::to_string(column + 1) + ": ";
}

// RFC 3629 section 4: no overlong forms, no surrogates, nothing above U+10FFFF.
bool IsUtf8(std::string_view text) {
  for (std::size_t i = 0; i < text.size();) {
    const auto lead = static_cast<unsigned char>(text[i++]);
    if (lead < 0x80) continue;
    if (lead < 0xC2 || lead > 0xF4) return false;
    const int more = lead < 0xE0 ? 1 : lead < 0xF0 ? 2 : 3;
    for (int k = 0; k < more; ++k, ++i) {
      if (i == text.size()) return false;
      const auto c = static_cast<unsigned char>(text[i]);
      const unsigned char least = k > 0 ? 0x80 : lead == 0xE0 ? 0xA0 : lead == 0xF0 ? 0x90 : 0x80;
      const unsigned char most = k > 0 ? 0xBF : lead == 0xED ? 0x9F : lead == 0xF4 ? 0x8F : 0xBF;
      if (c < least || c > most) return false;
    }
  }
  return true;
}

// A text format takes any bytes for a string, but a message with such a string cannot be read back.
// Calls `complain` for the first field below `message` that is no UTF-8; true if there is one.
template <typename Complain>
bool FindBadText(const Message& message, const Complain& complain) {
  std::vector<const FieldDescriptor*> fields;
  const auto* reflection = message.GetReflection();
  reflection->ListFields(message, &fields);
  for (const FieldDescriptor* d : fields) {
    const int count = d->is_repeated() ? reflection->FieldSize(message, d) : 1;
    for (int i = 0; i < count; ++i) {
      const int at = d->is_repeated() ? i : -1;
      if (d->type() == FieldDescriptor::TYPE_STRING) {
        const std::string text = d->is_repeated() ? reflection->GetRepeatedString(message, d, i)
                                                  : reflection->GetString(message, d);
        if (IsUtf8(text)) continue;
        complain(message, d->name(), at,
                 "not UTF-8; only what is said on the line may hold any bytes");
        return true;
      }
      if (d->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE) continue;
      if (FindBadText(d->is_repeated() ? reflection->GetRepeatedMessage(message, d, i)
                                       : reflection->GetMessage(message, d),
                      complain)) {
        return true;
      }
    }
  }
  return false;
}

class FirstError : public google::protobuf::io::ErrorCollector {
 public:
  void AddError(int line, google::protobuf::io::ColumnNumber column,
                const std::string& message) override {
    if (!status.ok()) return;
    status = Status(Code::kInvalidArgument, (line < 0 ? "" : Place(line, column)) + message);
  }
  void AddWarning(int, google::protobuf::io::ColumnNumber, const std::string&) override {}
  Status status;
};

// Looks for `target` below `message`; on the way back keeps the place of the innermost field that
// has one. True if found.
bool Find(const Message& message, const TextFormat::ParseInfoTree* tree, const Message& target,
          const std::string& field, int index, TextFormat::ParseLocation& place) {
  if (&message == &target) {
    const FieldDescriptor* d = message.GetDescriptor()->FindFieldByName(field);
    // A field of many that has none is nowhere: then the place of the message itself stands.
    if (tree != nullptr && d != nullptr && d->is_repeated() == (index >= 0))
      place = tree->GetLocation(d, index);
    return true;
  }
  std::vector<const FieldDescriptor*> fields;
  const auto* reflection = message.GetReflection();
  reflection->ListFields(message, &fields);
  for (const FieldDescriptor* d : fields) {
    if (d->cpp_type() != FieldDescriptor::CPPTYPE_MESSAGE || d->is_map()) continue;
    const int count = d->is_repeated() ? reflection->FieldSize(message, d) : 1;
    for (int i = 0; i < count; ++i) {
      const Message& below = d->is_repeated() ? reflection->GetRepeatedMessage(message, d, i)
                                              : reflection->GetMessage(message, d);
      const int at = d->is_repeated() ? i : -1;
      const auto* subtree = tree == nullptr ? nullptr : tree->GetTreeForNested(d, at);
      if (!Find(below, subtree, target, field, index, place)) continue;
      if (place.line < 0 && tree != nullptr) place = tree->GetLocation(d, at);
      return true;
    }
  }
  return false;
}

}  // namespace

std::function<void(const Message&, const std::string&, int, const std::string&)>
TextPlaces::Complaints(const Message& root, Status& first) const {
  return [this, &root, &first](const Message& message, const std::string& field, int index,
                               const std::string& what) {
    if (!first.ok()) return;
    TextFormat::ParseLocation place;
    Find(root, &tree_, message, field, index, place);
    first = Status(Code::kInvalidArgument,
                   (place.line < 0 ? "" : Place(place.line, place.column)) + field + ": " + what);
  };
}

Status ReadText(std::string_view text, Message& message, TextPlaces& places) {
  FirstError errors;
  TextFormat::Parser parser;
  parser.RecordErrorsTo(&errors);
  parser.WriteLocationsTo(&places.tree_);
  if (parser.ParseFromString(std::string(text), &message)) {
    Status bad;
    FindBadText(message, places.Complaints(message, bad));
    return bad;
  }
  if (errors.status.ok()) return {Code::kInvalidArgument, "not a text of this kind"};
  return errors.status;
}

std::string WriteText(const Message& message) {
  TextFormat::Printer printer;
  printer.SetUseUtf8StringEscaping(true);
  std::string out;
  printer.PrintToString(message, &out);
  return out;
}

Result<std::string> ReadTextFile(const std::string& path) {
  struct stat facts {};
  if (::stat(path.c_str(), &facts) != 0)
    return Status(errno == ENOENT ? Code::kNotFound : Code::kIo,
                  path + ": " + std::strerror(errno));
  if (S_ISDIR(facts.st_mode)) return Status(Code::kInvalidArgument, path + ": is a folder");
  std::ifstream in(path, std::ios::binary);
  std::string text;
  char buffer[65536];
  while (in.read(buffer, sizeof buffer) || in.gcount() > 0) {
    text.append(buffer, static_cast<std::size_t>(in.gcount()));
    if (text.size() > kLargestFile)
      return Status(Code::kInvalidArgument, path + ": larger than 64 MB, so no text of this kind");
  }
  if (!in.eof()) return Status(Code::kIo, path + ": " + std::strerror(errno));
  return text;
}

Status WriteTextFile(std::string_view text, const std::string& path, bool replace) {
  struct stat facts {};
  if (!replace && ::stat(path.c_str(), &facts) == 0)
    return {Code::kInvalidArgument, path + ": exists already; name another file or give --replace"};
  std::ofstream out(path, std::ios::binary | std::ios::trunc);
  out.write(text.data(), static_cast<std::streamsize>(text.size()));
  out.close();
  if (!out) return {Code::kIo, path + ": " + std::strerror(errno)};
  return witness::OkStatus();
}

}  // namespace trial
