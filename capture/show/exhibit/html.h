// The one way of texts into a page: escaped, so that none is taken for markup, script or style.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "capture/base/bytes.h"

namespace witness::page {

// For element content and quoted attributes. `safe` has been through SafeText or SafeName, or is
// our own: it holds no control character.
std::string Text(std::string_view safe);
// SafeName, then Text: for names, titles, notes, whatever they hold.
std::string Name(std::string_view hostile);
// For a data element of type application/json: ASCII only, no '<', '>' or '&'. What is no UTF-8
// must have been made safe before.
std::string Json(const nlohmann::json& value);
// "1 reply", "2 replies".
std::string Count(std::uint64_t n, std::string_view one, std::string_view many = "");

}  // namespace witness::page
