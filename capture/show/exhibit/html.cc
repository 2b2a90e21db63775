#include "capture/show/exhibit/html.h"

#include "capture/base/text.h"

namespace witness::page {

std::string Text(std::string_view safe) {
  std::string out;
  out.reserve(safe.size() + 16);
  for (const char c : safe) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      case '`':
        out += "&#96;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string Name(std::string_view hostile) { return Text(SafeName(hostile)); }

std::string Json(const nlohmann::json& value) {
  const std::string plain = value.dump(-1, ' ', true, nlohmann::json::error_handler_t::replace);
  std::string out;
  out.reserve(plain.size() + 16);
  for (const char c : plain) {
    switch (c) {
      case '<':
        out += "\\u003c";
        break;
      case '>':
        out += "\\u003e";
        break;
      case '&':
        out += "\\u0026";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string Count(std::uint64_t n, std::string_view one, std::string_view many) {
  std::string out = std::to_string(n) + " ";
  if (n == 1) return out + std::string(one);
  return out + (many.empty() ? std::string(one) + "s" : std::string(many));
}

}  // namespace witness::page
