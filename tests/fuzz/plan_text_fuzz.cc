// Any text as a trial plan: refused with a place, or saved and loaded again the same.
#include <unistd.h>

#include <fstream>
#include <sstream>

#include "replay/judge/request.h"
#include "tests/fuzz/fuzz.h"

namespace {

std::string Read(const std::string& path) {
  std::ostringstream all;
  all << std::ifstream(path, std::ios::binary).rdbuf();
  return all.str();
}

// Two files of this process's own, gone with it.
struct Folder {
  Folder() {
    char name[] = "/tmp/plan_text_fuzz.XXXXXX";
    witness::fuzz::Must(::mkdtemp(name) != nullptr, "there is room for two files");
    path = name;
  }
  ~Folder() {
    ::unlink(Given().c_str());
    ::unlink(Saved().c_str());
    ::rmdir(path.c_str());
  }
  std::string Given() const { return path + "/given.textproto"; }
  std::string Saved() const { return path + "/saved.textproto"; }
  std::string path;
};

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using witness::fuzz::Must;
  static const Folder folder;
  std::ofstream(folder.Given(), std::ios::binary | std::ios::trunc)
      .write(reinterpret_cast<const char*>(data), static_cast<std::streamsize>(size));
  trial::LooksLikePlan(witness::fuzz::View(data, size));
  const auto plan = trial::LoadPlan(folder.Given());
  if (!plan.ok()) {
    Must(plan.status().message().find(folder.Given()) == 0, "a refusal names the file");
    return 0;
  }
  for (const trial::RunRequest& request : *plan) {
    ::unlink(folder.Saved().c_str());
    Must(trial::SavePlan(request, "fuzz", folder.Saved()).ok(), "a plan can be saved");
    const std::string first = Read(folder.Saved());
    const auto again = trial::LoadPlan(folder.Saved());
    Must(again.ok() && again->size() == 1, "a plan that was saved can be loaded");
    Must(trial::SavePlan(again->front(), "fuzz", folder.Saved()).ok(), "and saved again");
    Must(Read(folder.Saved()) == first, "and is saved the same");
  }
  return 0;
}
