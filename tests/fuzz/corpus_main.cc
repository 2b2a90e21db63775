// Gives a fuzz target every file of the folders and files named on the command line, in builds that
// have no fuzzer: what was found once is looked at by every test run. Behind them come as many
// spoilt copies as `--spoil N` says, the same ones in every run.
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <string>
#include <vector>

#include "tests/fuzz/fuzz.h"

namespace fs = std::filesystem;

namespace {

using Input = std::vector<char>;

constexpr std::size_t kLargest = 16'384;

// One to four things that happen to files.
Input Spoilt(const std::vector<Input>& inputs, std::mt19937& random) {
  const auto below = [&random](std::size_t n) { return n == 0 ? 0 : random() % n; };
  const auto at = [](auto& in, std::size_t i) {
    return in.begin() + static_cast<std::ptrdiff_t>(i);
  };
  Input out = inputs[below(inputs.size())];
  for (std::size_t i = 0, n = 1 + below(4); i < n; ++i) {
    const std::size_t from = below(out.size());
    const std::size_t size = std::min(1 + below(below(4) == 0 ? 200 : 8), out.size() - from);
    const Input& other = inputs[below(inputs.size())];
    const std::size_t start = below(other.size());
    const std::size_t length = std::min(1 + below(64), other.size() - start);
    switch (below(6)) {
      case 0:
        if (!out.empty()) out[from] = static_cast<char>(out[from] ^ 1 << below(8));
        break;
      case 1:
        if (!out.empty()) out[from] = static_cast<char>(random());
        break;
      case 2:
        out.erase(at(out, from), at(out, from + size));
        break;
      case 3:
        std::fill_n(at(out, from), size, below(2) == 0 ? '\0' : '\xFF');
        break;
      case 4: {
        const Input piece(at(other, start), at(other, start + length));
        out.insert(at(out, from), piece.begin(), piece.end());
        break;
      }
      default: {
        const Input piece(at(out, from), at(out, from + size));
        out.insert(at(out, from), piece.begin(), piece.end());
      }
    }
  }
  if (out.size() > kLargest) out.resize(kLargest);
  return out;
}

void Give(const Input& input) {
  LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(input.data()), input.size());
}

}  // namespace

int main(int count, char** arguments) {
  std::vector<fs::path> files;
  unsigned long spoilt = 0;
  for (int i = 1; i < count; ++i) {
    if (std::string(arguments[i]) == "--spoil" && i + 1 < count) {
      spoilt = std::stoul(arguments[++i]);
      continue;
    }
    if (!fs::is_directory(arguments[i])) {
      files.emplace_back(arguments[i]);
      continue;
    }
    for (const auto& file : fs::recursive_directory_iterator(arguments[i])) {
      if (file.is_regular_file()) files.push_back(file.path());
    }
  }
  std::sort(files.begin(), files.end());
  std::vector<Input> inputs;
  for (const fs::path& path : files) {
    std::ifstream file(path, std::ios::binary);
    Input bytes((std::istreambuf_iterator<char>(file)), std::istreambuf_iterator<char>());
    if (!file.good() && !file.eof()) {
      std::fprintf(stderr, "%s: cannot be read\n", path.c_str());
      return 1;
    }
    Give(bytes);
    if (bytes.size() <= kLargest) inputs.push_back(std::move(bytes));
  }
  std::mt19937 random(1);
  if (inputs.empty()) spoilt = 0;
  for (unsigned long i = 0; i < spoilt; ++i) Give(Spoilt(inputs, random));
  std::printf("%zu inputs, %lu spoilt ones\n", files.size(), spoilt);
  return files.empty() ? 1 : 0;
}
