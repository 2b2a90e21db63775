// Whether a page shows what the captures inside it hold: it is made again and compared.
#include <zlib.h>

#include <fstream>

#include "capture/base/base64.h"
#include "capture/base/version.h"
#include "capture/show/exhibit/exhibit.h"
#include "capture/store/byte_source.h"

namespace witness {
namespace {

constexpr std::string_view kBlob = "<script type=\"application/x-base64\" data-holds=\"";
constexpr std::string_view kEnd = "</script>";
constexpr std::size_t kLargestPart = std::size_t{256} << 20;  // inflated

// A page taken apart: what its data elements hold, and the words between them.
struct Block {
  std::string_view kind;  // "events", "rows", "capture"; empty: words
  std::string_view content;
};

class Blocks {
 public:
  explicit Blocks(std::string_view page) : rest_(page) {}
  bool Next(Block& block) {
    if (rest_.empty()) return false;
    const std::size_t at = rest_.find(kBlob);
    if (at != 0) {
      block = {"", rest_.substr(0, at)};
      rest_.remove_prefix(block.content.size());
      return true;
    }
    const std::size_t kind = kBlob.size();
    const std::size_t kind_end = rest_.find('"', kind);
    const std::size_t open = rest_.find('>', kind);
    const std::size_t close = rest_.find(kEnd, kind);
    if (kind_end == std::string_view::npos || open == std::string_view::npos ||
        close == std::string_view::npos || kind_end > open || open > close) {
      block = {"", rest_};
      rest_ = {};
      return true;
    }
    block = {rest_.substr(kind, kind_end - kind), rest_.substr(open + 1, close - open - 1)};
    rest_.remove_prefix(close + kEnd.size());
    return true;
  }
  bool NextShown(Block& block) {
    while (Next(block))
      if (block.kind == "events" || block.kind == "rows") return true;
    return false;
  }

 private:
  std::string_view rest_;
};

// What was deflated and put into base64; nothing if it cannot be undone.
std::optional<Bytes> Inflated(std::string_view base64) {
  const auto packed = FromBase64(base64);
  if (!packed.ok()) return std::nullopt;
  z_stream stream{};
  if (inflateInit(&stream) != Z_OK) return std::nullopt;
  stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(packed->data()));
  stream.avail_in = static_cast<uInt>(packed->size());
  Bytes out;
  int result = Z_OK;
  char piece[65536];
  while (result == Z_OK && out.size() <= kLargestPart) {
    stream.next_out = reinterpret_cast<Bytef*>(piece);
    stream.avail_out = sizeof piece;
    result = inflate(&stream, Z_NO_FLUSH);
    out.append(piece, sizeof piece - stream.avail_out);
  }
  inflateEnd(&stream);
  return result == Z_STREAM_END ? std::optional(std::move(out)) : std::nullopt;
}

// Another zlib may pack the same otherwise.
bool Same(const Block& a, const Block& b) {
  if (a.kind != b.kind) return false;
  if (a.content == b.content) return true;
  if (a.kind != "events" && a.kind != "rows") return false;
  const auto left = Inflated(a.content);
  return left && left == Inflated(b.content);
}

std::string WhatDiffers(std::string_view kind) {
  if (kind == "events") return "the bytes and times that it shows are not those of the capture";
  if (kind == "rows") return "the exchanges that it shows are not those of the capture";
  if (kind == "capture") return "the capture inside is not what the page was made of";
  return "its words or its script are not those that this capture gives";
}

Result<std::string> Whole(const std::string& path) {
  auto source = OpenFileSource(path);
  if (!source.ok()) return source.status();
  std::string page;
  for (;;) {
    const auto bytes = (*source)->View(page.size(), std::size_t{1} << 20);
    if (!bytes.ok()) return bytes.status();
    if (bytes->empty()) return page;
    page += *bytes;
  }
}

}  // namespace

Result<ExhibitCheck> CheckExhibit(const std::string& path, const PageInside& inside,
                                  const std::string& folder) {
  ExhibitCheck check;
  check.same_tool = inside.tool == std::string("bytewitness ") + kToolVersion;
  ExhibitRequest request = inside.request;
  for (std::size_t i = 0; i < request.captures.size(); ++i) {
    request.captures[i].path = folder + "/" + std::to_string(i);
    std::ofstream file(request.captures[i].path, std::ios::binary);
    file << inside.captures[i];
    file.close();
    if (!file) return Status(Code::kIo, request.captures[i].path + ": cannot be written");
  }
  const auto page = Whole(path);
  if (!page.ok()) return page.status();
  std::string again;
  again.reserve(page->size());
  const auto made = WriteExhibit(request, {}, [&](std::string_view text) {
    again += text;
    return OkStatus();
  });
  if (!made.ok()) return made.status();
  Blocks shown(*page), wanted(again);
  for (;;) {
    Block a, b;
    const bool more = check.same_tool ? shown.Next(a) : shown.NextShown(a);
    const bool wants = check.same_tool ? wanted.Next(b) : wanted.NextShown(b);
    if (!more && !wants) return check;
    if (more && wants && Same(a, b)) continue;
    check.differs = WhatDiffers(more ? a.kind : b.kind);
    return check;
  }
}

}  // namespace witness
