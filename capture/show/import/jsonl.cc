#include "capture/show/import/jsonl.h"

#include <nlohmann/json.hpp>

#include "capture/base/text.h"

namespace witness {
namespace {

using nlohmann::json;

constexpr std::size_t kLongestLine = 4u << 20;

struct KindName {
  const char* name;
  EventKind kind;
};
constexpr KindName kKinds[] = {
    {"bytes", EventKind::kBytes},        {"bad-byte", EventKind::kBadByte},
    {"break", EventKind::kBreak},        {"lines", EventKind::kLineChange},
    {"errors", EventKind::kErrorCounts}, {"pin", EventKind::kPin},
    {"note", EventKind::kNote},          {"gap", EventKind::kGap}};

Status Bad(const std::string& what) { return Status(Code::kInvalidArgument, what); }

// Takes an unsigned number out of `object`; 0 if it is not there.
Status Take(const json& object, const char* name, std::uint64_t most, std::uint64_t& out) {
  out = 0;
  const auto found = object.find(name);
  if (found == object.end()) return OkStatus();
  if (!found->is_number_unsigned() || found->get<std::uint64_t>() > most)
    return Bad(std::string("\"") + name + "\" is not a whole number from 0 to " +
               std::to_string(most));
  out = found->get<std::uint64_t>();
  return OkStatus();
}

Status ReadKind(const json& object, Event& event) {
  const auto found = object.find("kind");
  if (found == object.end()) return OkStatus();
  if (found->is_string()) {
    for (const KindName& kind : kKinds) {
      if (found->get_ref<const std::string&>() == kind.name) {
        event.kind = kind.kind;
        return OkStatus();
      }
    }
  }
  return Bad("\"kind\" is none of bytes, bad-byte, break, lines, errors, pin, note, gap");
}

Status ReadSide(const json& object, Event& event) {
  const auto found = object.find("side");
  const bool needed = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
  if (found == object.end())
    return needed ? Bad("\"side\" is missing: host, module or unknown") : OkStatus();
  if (found->is_string()) {
    const std::string& side = found->get_ref<const std::string&>();
    for (const Side s : {Side::kUnknown, Side::kHost, Side::kModule}) {
      if (side == SideName(s)) {
        event.side = s;
        return OkStatus();
      }
    }
  }
  return Bad("\"side\" is none of host, module, unknown");
}

Status ReadBytes(const json& object, const Event& event, Bytes& bytes) {
  const auto hex = object.find("hex");
  const auto text = object.find("text");
  const bool needed = event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte ||
                      event.kind == EventKind::kNote;
  if (!needed) return OkStatus();
  if ((hex == object.end()) == (text == object.end()))
    return Bad("either \"hex\" or \"text\" is to be there");
  if (hex != object.end()) {
    if (!hex->is_string()) return Bad("\"hex\" is not a text");
    auto read = FromHex(hex->get_ref<const std::string&>());
    if (!read.ok()) return Bad("\"hex\": " + read.status().message());
    bytes = *std::move(read);
    return OkStatus();
  }
  if (!text->is_string()) return Bad("\"text\" is not a text");
  bytes = text->get<std::string>();
  return OkStatus();
}

Status ReadDetails(const json& object, Event& event, Bytes& name) {
  constexpr std::uint64_t kWord = 0xffffffffu;
  std::uint64_t n = 0;
  Status status;
  const auto word = [&](const char* key, std::uint32_t& out) {
    if (status.ok()) status = Take(object, key, kWord, n);
    out = static_cast<std::uint32_t>(n);
  };
  switch (event.kind) {
    case EventKind::kLineChange:
      word("asserted", event.lines);
      word("changed", event.changed);
      break;
    case EventKind::kErrorCounts:
      word("framing", event.counts.framing);
      word("parity", event.counts.parity);
      word("overrun", event.counts.overrun);
      word("buffer_overrun", event.counts.buffer_overrun);
      word("breaks", event.counts.breaks);
      break;
    case EventKind::kPin: {
      const auto found = object.find("name");
      if (found == object.end() || !found->is_string()) return Bad("\"name\" is missing");
      name = found->get<std::string>();
      status = Take(object, "level", 1, n);
      event.level = static_cast<std::uint8_t>(n);
      break;
    }
    case EventKind::kGap: {
      std::uint64_t reason = 0, length = 0;
      status = Take(object, "reason", static_cast<std::uint64_t>(GapReason::kDiskFull), reason);
      if (status.ok()) status = Take(object, "length_ns", 0x7fffffffffffffffull, length);
      if (status.ok()) status = Take(object, "bytes_lost", ~0ull, event.gap.bytes_lost);
      if (status.ok()) status = Take(object, "events_lost", ~0ull, event.gap.events_lost);
      event.gap.reason = static_cast<GapReason>(reason);
      event.gap.length = Duration::Nanoseconds(static_cast<std::int64_t>(length));
      break;
    }
    default:
      break;
  }
  return status;
}

Status ReadLine(const std::string& line, Event& event, Bytes& bytes, Bytes& name) {
  const json object = json::parse(line, nullptr, /*allow_exceptions=*/false);
  if (object.is_discarded()) return Bad("not JSON");
  if (!object.is_object()) return Bad("not a JSON object");
  if (!object.contains("at_ns")) return Bad("\"at_ns\" is missing");
  std::uint64_t at = 0;
  Status status = Take(object, "at_ns", 0x7ffffffffffffffeull, at);
  if (!status.ok()) return status;
  event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(at));
  status = ReadKind(object, event);
  if (status.ok()) status = ReadSide(object, event);
  if (status.ok()) status = ReadBytes(object, event, bytes);
  if (status.ok()) status = ReadDetails(object, event, name);
  if (!status.ok()) return status;
  if (event.kind == EventKind::kBadByte && bytes.size() != 1)
    return Bad("a bad byte is exactly one byte");
  event.bytes = bytes;
  event.name = name;
  return OkStatus();
}

// The next line without its end, of which never more than one byte above the longest is taken in.
// False: there is none.
bool TakeLine(std::istream& in, std::string& line) {
  line.clear();
  char c = 0;
  while (line.size() <= kLongestLine && in.get(c) && c != '\n') line += c;
  return !in.bad() && (in.good() || !line.empty());
}

}  // namespace

Status ImportJsonLines(std::istream& in, const std::function<Status(const Event&)>& take) {
  std::string line;
  std::size_t number = 0;
  Instant before;
  while (TakeLine(in, line)) {
    ++number;
    const std::string where = "line " + std::to_string(number);
    if (line.size() > kLongestLine) return Bad("longer than " + FormatSize(kLongestLine)).In(where);
    if (line.find_first_not_of(" \t\r") == std::string::npos) continue;
    Event event;
    Bytes bytes, name;
    const Status read = ReadLine(line, event, bytes, name);
    if (!read.ok()) return read.In(where);
    if (event.at < before)
      return Bad("its time is before that of the line above: lines are to be in time order")
          .In(where);
    before = event.at;
    const Status taken = take(event);
    if (!taken.ok()) return taken;
  }
  if (in.bad()) return Status(Code::kIo, "reading failed behind line " + std::to_string(number));
  return OkStatus();
}

}  // namespace witness
