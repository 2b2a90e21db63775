// Reading a page back: what it was made of, and the captures inside.
#include <algorithm>
#include <nlohmann/json.hpp>

#include "capture/base/base64.h"
#include "capture/show/exhibit/exhibit.h"
#include "capture/store/byte_source.h"

namespace witness {
namespace {

using Json = nlohmann::json;

constexpr std::string_view kFirst = "<!DOCTYPE html>\n<html lang=\"en\" data-exhibit=\"1\">";
constexpr std::string_view kLast = "</body>\n</html>\n";
constexpr std::string_view kBlob =
    "<script type=\"application/x-base64\" data-holds=\"capture\" data-of=\"";
constexpr std::string_view kFacts = "<script type=\"application/json\" id=\"facts\">";
constexpr std::string_view kEnd = "</script>";
// A page has at most 256 MB of captures and 64 MB of payload for each of the few it shows.
constexpr std::uint64_t kLargestPage = std::uint64_t{4} << 30;

Status Damaged(const std::string& what) { return Status(Code::kDamaged, what); }

Result<Json> FactsOf(std::string_view page) {
  const std::size_t at = page.rfind(kFacts);
  if (at == std::string_view::npos) return Damaged("the page's facts are missing: is it cut off?");
  const std::size_t from = at + kFacts.size();
  const std::size_t end = page.find(kEnd, from);
  if (end == std::string_view::npos) return Damaged("the page is cut off");
  Json facts = Json::parse(page.substr(from, end - from), nullptr, false);
  if (!facts.is_object() || !facts.contains("captures") || !facts["captures"].is_array() ||
      !facts.contains("made_of") || !facts["made_of"].is_object() ||
      !facts["made_of"].contains("captures") || !facts["made_of"]["captures"].is_array())
    return Damaged("the page's facts cannot be read");
  return facts;
}

std::string TextOf(const Json& json, const char* key) {
  return json.is_object() && json.contains(key) && json[key].is_string()
             ? json[key].get<std::string>()
             : std::string();
}

// A name as it was: it may be no text.
std::string NameOf(const Json& json, const std::string& key) {
  const auto bytes = FromHex(TextOf(json, (key + "_hex").c_str()));
  return bytes.ok() && !bytes->empty() ? *bytes : TextOf(json, key.c_str());
}

std::int64_t NumberOf(const Json& json, const char* key) {
  return json.contains(key) && json[key].is_number_integer() ? json[key].get<std::int64_t>() : 0;
}

}  // namespace

bool LooksLikeExhibit(const std::string& path) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return false;
  const auto bytes = (*source)->View(0, kFirst.size());
  return bytes.ok() && *bytes == kFirst;
}

Result<PageInside> ReadExhibit(const std::string& path) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return source.status();
  const auto size = (*source)->Size();
  if (!size.ok()) return size.status();
  if (*size > kLargestPage) return Damaged("larger than any exhibit is").In(path);
  std::string page;
  page.reserve(static_cast<std::size_t>(*size));
  for (;;) {
    const auto bytes = (*source)->View(page.size(), std::size_t{1} << 20);
    if (!bytes.ok()) return bytes.status();
    if (bytes->empty()) break;
    page += *bytes;
  }
  if (page.compare(0, kFirst.size(), kFirst) != 0)
    return Status(Code::kInvalidArgument, path + ": is no exhibit of bytewitness");
  if (page.size() < kLast.size() ||
      page.compare(page.size() - kLast.size(), kLast.size(), kLast) != 0)
    return Damaged("the page is cut off").In(path);
  const auto facts = FactsOf(page);
  if (!facts.ok()) return facts.status().In(path);

  PageInside inside;
  inside.tool = TextOf(*facts, "tool");
  for (const Json& one : (*facts)["captures"])
    inside.printed_sha256.push_back(TextOf(one, "sha256"));
  for (const Json& one : (*facts)["made_of"]["captures"]) {
    ExhibitCapture capture;
    capture.name = NameOf(one, "name");
    if (one.is_object() && one.contains("cut") && one["cut"].is_object()) {
      const Json& cut = one["cut"];
      capture.cut = ExhibitCapture::Cut{NameOf(cut, "of"), TextOf(cut, "sha256"),
                                        NumberOf(cut, "from_ns"), NumberOf(cut, "to_ns")};
    }
    inside.request.captures.push_back(capture);
  }
  if ((*facts)["made_of"].contains("trial")) {
    auto trial = TrialFromJson((*facts)["made_of"]["trial"]);
    if (!trial.ok()) return Damaged("the page's facts cannot be read").In(path);
    inside.request.trial = *std::move(trial);
  }
  inside.captures.resize(inside.request.captures.size());
  const std::string_view whole = page;
  for (std::size_t at = whole.find(kBlob); at != std::string_view::npos;
       at = whole.find(kBlob, at)) {
    at += kBlob.size();
    std::size_t number = 0;
    for (; at < whole.size() && whole[at] >= '0' && whole[at] <= '9' && number < 100'000; ++at)
      number = number * 10 + static_cast<std::size_t>(whole[at] - '0');
    const std::size_t end = whole.find(kEnd, at);
    if (whole.substr(at, 2) != "\">" || end == std::string_view::npos ||
        number >= inside.captures.size())
      return Damaged("the capture in it is not whole").In(path);
    const auto bytes = FromBase64(whole.substr(at + 2, end - at - 2));
    if (!bytes.ok()) return bytes.status().In(path);
    inside.captures[number] += *bytes;
    at = end;
  }
  if (inside.printed_sha256.size() != inside.captures.size())
    return Damaged("the page's facts do not fit together").In(path);
  return inside;
}

}  // namespace witness
