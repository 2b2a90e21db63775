# cmake -DOUT=FILE.cc -DFOLDER=page -P embed.cmake: writes page_parts.h's texts from their files.
function(add_constant name)
  set(bytes "")
  foreach(path IN LISTS ARGN)
    file(READ ${path} hex HEX)
    string(REGEX REPLACE "(..)" "'\\\\x\\1'," one "${hex}")
    string(APPEND bytes "${one}")
  endforeach()
  string(REGEX REPLACE "(('....',)('....',)('....',)('....',)('....',)('....',)('....',)('....',))"
         "\\1\n" bytes "${bytes}")
  set(text "${text}const char ${name}Bytes[] = {\n${bytes}};\n" PARENT_SCOPE)
endfunction()

set(text "// Made by embed.cmake of the files in capture/show/exhibit/page/.
#include \"capture/show/exhibit/page_parts.h\"

namespace witness::page {
namespace {
")
set(scripts "")
foreach(name opening decode words timeline list detail search main closing)
  list(APPEND scripts ${FOLDER}/${name}.js)
endforeach()
add_constant(kTemplateText ${FOLDER}/page.html)
add_constant(kStyleText ${FOLDER}/page.css)
add_constant(kScriptText ${scripts})
string(APPEND text "}  // namespace

const std::string_view kTemplate(kTemplateTextBytes, sizeof kTemplateTextBytes);
const std::string_view kStyle(kStyleTextBytes, sizeof kStyleTextBytes);
const std::string_view kScript(kScriptTextBytes, sizeof kScriptTextBytes);

}  // namespace witness::page
")
file(WRITE ${OUT} "${text}")
