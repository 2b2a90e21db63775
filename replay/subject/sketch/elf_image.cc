#include "replay/subject/sketch/elf_image.h"

#include <cxxabi.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <memory>

#include "capture/base/text.h"

namespace trial {
namespace {

using witness::Bytes;
using witness::ByteView;
using witness::Code;
using witness::Result;
using witness::Status;

constexpr std::uint32_t kDataSpace = 0x800000;
constexpr std::uint32_t kEepromSpace = 0x810000;
constexpr std::size_t kLargestFile = 64 << 20;
constexpr std::size_t kLargestFlash = 256 << 10;  // ATmega2560, the largest classic part
constexpr std::uint16_t kMachineAvr = 83;         // ELF e_machine, System V gABI registry

class Reader {
 public:
  explicit Reader(ByteView file) : file_(file) {}

  bool Has(std::uint64_t offset, std::uint64_t size) const {
    return offset <= file_.size() && size <= file_.size() - offset;
  }
  std::uint32_t U8(std::size_t at) const {
    return Has(at, 1) ? static_cast<unsigned char>(file_[at]) : 0;
  }
  std::uint32_t U16(std::size_t at) const { return U8(at) | U8(at + 1) << 8; }
  std::uint32_t U32(std::size_t at) const { return U16(at) | U16(at + 2) << 16; }
  ByteView View(std::uint64_t offset, std::uint64_t size) const {
    return Has(offset, size) ? file_.substr(offset, size) : ByteView();
  }
  // The zero-terminated string at `offset`; cut at the end of the file.
  std::string Text(std::uint64_t offset) const {
    if (offset >= file_.size()) return {};
    ByteView rest = file_.substr(offset, 4096);
    return std::string(rest.substr(0, rest.find('\0')));
  }

 private:
  ByteView file_;
};

struct Section {
  std::uint32_t name = 0, type = 0, address = 0, offset = 0, size = 0, link = 0, entry = 0;
};

std::string Demangled(const std::string& mangled) {
  int status = 0;
  std::unique_ptr<char, decltype(&std::free)> text(
      abi::__cxa_demangle(mangled.c_str(), nullptr, nullptr, &status), &std::free);
  std::string name = status == 0 && text != nullptr ? std::string(text.get()) : mangled;
  // What the compiler adds to parts of a function ("loop.part.1", "_Z4loopv.constprop.0") is left
  // out of the name that a person wrote.
  if (status != 0) {
    const std::size_t dot = mangled.find('.', 1);
    if (dot != std::string::npos && mangled.compare(0, 2, "_Z") == 0)
      return Demangled(mangled.substr(0, dot));
    if (dot != std::string::npos) name = mangled.substr(0, dot);
  }
  // Arguments are cut: the name is for reading, and arguments do not tell overloads apart to a
  // person who looks for where the sketch waits.
  int depth = 0;
  for (std::size_t i = 0; i < name.size(); ++i) {
    if (name[i] == '<') ++depth;
    if (name[i] == '>') --depth;
    if (name[i] == '(' && depth == 0 && i > 0 && name.compare(i, 21, "(anonymous namespace)") != 0)
      return name.substr(0, i);
  }
  return name;
}

// The device note that newer linkers put in (".note.gnu.avr.deviceinfo"): after the name "AVR\0"
// come flash start and size, SRAM start and size, EEPROM start and size, a table of offsets with
// its size in front (that field included), then strings: an empty one, then the device's name.
// Source: what Debian's gcc-avr 5.4.0 puts into every program for an ATmega328P.
std::string DeviceOfNote(const Reader& file, const Section& note) {
  const std::size_t name_size = file.U32(note.offset);
  const std::size_t description = note.offset + 12 + ((name_size + 3) & ~std::size_t{3});
  const std::size_t table_size = file.U32(description + 24);
  const std::size_t strings = description + 24 + table_size;
  if (name_size > 64 || table_size > 256 || strings >= note.offset + std::uint64_t{note.size})
    return {};
  const std::string first = file.Text(strings + 1);  // the string table begins with an empty one
  return first.empty() ? file.Text(strings) : first;
}

// The section ".mmcu" that simulator-aware sketches carry: tag, length, value; tag 1 is the name,
// tag 2 the frequency. Source: avr_mcu_section.h of Debian's libsimavr-dev.
void ReadMmcu(const Reader& file, const Section& section, ElfImage& image) {
  std::size_t at = section.offset;
  const std::size_t end = at + section.size;
  while (at + 2 <= end && file.Has(at, 2)) {
    const std::uint32_t tag = file.U8(at);
    const std::uint32_t size = file.U8(at + 1);
    if (tag == 0) break;
    if (tag == 1) image.mcu = file.Text(at + 2);
    if (tag == 2 && size == 4) image.clock_hz = file.U32(at + 2);
    at += 2 + size;
  }
}

// Pointers to code are word addresses (avr-libc's manual, "How do I create a pointer to a
// function").
void MarkPointedTo(const std::vector<ByteView>& data, std::vector<ElfSymbol>& functions) {
  std::vector<bool> pointed_to(std::size_t{1} << 16);
  for (const ByteView bytes : data)
    for (std::size_t at = 0; at + 2 <= bytes.size(); ++at)
      pointed_to[static_cast<unsigned char>(bytes[at]) |
                 static_cast<std::size_t>(static_cast<unsigned char>(bytes[at + 1])) << 8] = true;
  for (ElfSymbol& function : functions) {
    const std::size_t word = function.address / 2;
    function.by_pointer = word >= pointed_to.size() || pointed_to[word];
  }
}

}  // namespace

const ElfSymbol* ElfImage::FunctionAt(std::uint32_t address) const {
  auto after =
      std::upper_bound(functions.begin(), functions.end(), address,
                       [](std::uint32_t a, const ElfSymbol& symbol) { return a < symbol.address; });
  if (after == functions.begin()) return nullptr;
  const ElfSymbol& symbol = *std::prev(after);
  // A function written in assembly may tell no size: it reaches to the next one.
  if (symbol.size != 0 && address >= symbol.address + symbol.size) return nullptr;
  return &symbol;
}

const ElfSymbol* ElfImage::Variable(std::string_view name) const {
  for (const ElfSymbol& symbol : variables)
    if (symbol.mangled == name || symbol.name == name) return &symbol;
  return nullptr;
}

Result<ElfImage> ReadElf(const std::string& path) {
  std::unique_ptr<std::FILE, int (*)(std::FILE*)> file(std::fopen(path.c_str(), "rb"),
                                                       &std::fclose);
  if (file == nullptr)
    return Status(Code::kNotFound, witness::SafeName(path) + ": cannot open the sketch's ELF file");
  Bytes bytes;
  char buffer[65536];
  std::size_t got = 0;
  while ((got = std::fread(buffer, 1, sizeof buffer, file.get())) > 0) {
    bytes.append(buffer, got);
    if (bytes.size() > kLargestFile)
      return Status(Code::kInvalidArgument,
                    witness::SafeName(path) + ": larger than 64 MB, not a sketch's ELF file");
  }
  if (std::ferror(file.get()) != 0)
    return Status(Code::kIo, witness::SafeName(path) + ": cannot read the sketch's ELF file");
  Result<ElfImage> image = ParseElf(bytes);
  if (!image.ok()) return image.status().In(witness::SafeName(path));
  return image;
}

Result<ElfImage> ParseElf(ByteView bytes) {
  const Reader file(bytes);
  if (bytes.substr(0, 4) != ByteView("\177ELF", 4))
    return Status(Code::kInvalidArgument,
                  "not an ELF file; give the .elf that the sketch's build makes, not the .hex");
  if (file.U8(4) != 1 || file.U8(5) != 1 || file.U16(18) != kMachineAvr)
    return Status(Code::kInvalidArgument,
                  "an ELF file, but not for AVR; give the .elf that the sketch's build makes");

  ElfImage image;
  std::vector<ByteView> data;  // what variables begin with
  const std::uint32_t segments = file.U32(28);
  const std::uint32_t segment_size = file.U16(42);
  for (std::uint32_t i = 0; i < file.U16(44); ++i) {
    const std::uint64_t at = segments + std::uint64_t{i} * segment_size;
    if (!file.Has(at, 32)) return Status(Code::kDamaged, "cut off in its segment table");
    if (file.U32(at) != 1) continue;  // PT_LOAD
    const std::uint32_t offset = file.U32(at + 4);
    const std::uint32_t physical = file.U32(at + 12);
    const std::uint32_t size = file.U32(at + 16);
    if (size == 0 || physical >= kDataSpace) continue;
    if (!file.Has(offset, size)) return Status(Code::kDamaged, "cut off in its code");
    if (std::uint64_t{physical} + size > kLargestFlash)
      return Status(Code::kInvalidArgument, "its code reaches beyond 256 kB of flash");
    const std::uint32_t space = file.U32(at + 8);
    if (space >= kDataSpace && space < kEepromSpace) data.push_back(file.View(offset, size));
    if (image.flash.size() < physical + size) image.flash.resize(physical + size, '\xff');
    image.flash.replace(physical, size, file.View(offset, size));
  }
  if (image.flash.empty()) return Status(Code::kInvalidArgument, "holds no code");

  std::vector<Section> sections;
  const std::uint32_t section_table = file.U32(32);
  const std::uint32_t section_size = file.U16(46);
  for (std::uint32_t i = 0; i < file.U16(48); ++i) {
    const std::uint64_t at = section_table + std::uint64_t{i} * section_size;
    if (!file.Has(at, 40)) return Status(Code::kDamaged, "cut off in its section table");
    sections.push_back({file.U32(at), file.U32(at + 4), file.U32(at + 12), file.U32(at + 16),
                        file.U32(at + 20), file.U32(at + 24), file.U32(at + 36)});
  }
  const std::uint32_t names = file.U16(50);
  for (const Section& section : sections) {
    if (section.type != 8 && !file.Has(section.offset, section.size)) continue;
    const std::string name = names < sections.size()
                                 ? file.Text(std::uint64_t{sections[names].offset} + section.name)
                                 : std::string();
    if (name == ".mmcu") ReadMmcu(file, section, image);
    if (name == ".note.gnu.avr.deviceinfo" && image.mcu.empty())
      image.mcu = DeviceOfNote(file, section);
    if (section.type != 2 || section.link >= sections.size()) continue;  // SHT_SYMTAB
    for (std::uint64_t at = section.offset; at + 16 <= section.offset + std::uint64_t{section.size};
         at += 16) {
      ElfSymbol symbol;
      symbol.address = file.U32(at + 4);
      symbol.size = file.U32(at + 8);
      const std::uint32_t type = file.U8(at + 12) & 0xf;
      if (type > 2) continue;  // only NOTYPE, OBJECT, FUNC
      symbol.mangled = file.Text(std::uint64_t{sections[section.link].offset} + file.U32(at));
      if (symbol.mangled.empty()) continue;
      if (symbol.mangled == "__bss_end" || symbol.mangled == "_end")
        image.data_end = std::max(image.data_end, symbol.address & 0xffff);
      if (type == 0) continue;
      symbol.name = Demangled(symbol.mangled);
      if (type == 2 && symbol.address < kDataSpace) {
        image.functions.push_back(std::move(symbol));
      } else if (type == 1 && symbol.address >= kDataSpace && symbol.address < kEepromSpace) {
        symbol.address -= kDataSpace;
        image.variables.push_back(std::move(symbol));
      }
    }
  }
  auto by_address = [](const ElfSymbol& a, const ElfSymbol& b) {
    return a.address != b.address ? a.address < b.address : a.mangled < b.mangled;
  };
  std::sort(image.functions.begin(), image.functions.end(), by_address);
  MarkPointedTo(data, image.functions);
  std::sort(image.variables.begin(), image.variables.end(), by_address);
  return image;
}

}  // namespace trial
