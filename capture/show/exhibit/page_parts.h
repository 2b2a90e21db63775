// The page's own template, style and script: the files of page/, put into the program at build time
// (embed.cmake).
#pragma once

#include <string_view>

namespace witness::page {

// Places in it, "{{NAME}}": see exhibit.cc.
extern const std::string_view kTemplate;
extern const std::string_view kStyle;
// The files of page/*.js in order, in one strict function.
extern const std::string_view kScript;

}  // namespace witness::page
