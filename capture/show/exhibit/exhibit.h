// The exhibit: one page of evidence, whole in itself. HTML with style, script, the events in
// columns (columns.h) and the captures themselves; nothing is fetched from anywhere.
//
// A page is made of its request and the bytes of its captures alone: no clock, no random number.
// So it can be made again and compared (CheckExhibit).
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "capture/base/bytes.h"
#include "capture/base/result.h"
#include "capture/show/exhibit/trial_result.h"

namespace witness {

struct ExhibitCapture {
  std::string path;  // where it is read from; does not reach the page
  std::string name;  // as shown, and the name that it is saved by; hostile text
  // Of a capture that was cut out of another: the whole one's name, digest and what was taken.
  struct Cut {
    std::string of;
    std::string sha256;  // hexadecimal
    std::int64_t from_ns = 0;
    std::int64_t to_ns = -1;  // negative: to its end
  };
  std::optional<Cut> cut;
};

struct ExhibitRequest {
  std::vector<ExhibitCapture> captures;  // one; two side by side; or those of a trial
  std::optional<TrialResult> trial;
};

struct ExhibitOptions {
  // What one capture shows at most; the rest is only in the capture inside, and the page says so.
  std::uint64_t most_events = 2'000'000;
  std::uint64_t most_payload = std::uint64_t{64} << 20;
  // Of all captures together: browsers do not take pages without bound.
  std::uint64_t most_inside = std::uint64_t{256} << 20;
  std::function<void(const std::string& words)> progress;  // may be empty
};

struct ExhibitReport {
  struct Shown {
    std::string sha256;  // hexadecimal, of the capture's file
    std::uint64_t events = 0;
    std::uint64_t left_out = 0;
    std::string secrets;  // what findings say of secrets in it; empty: nothing
  };
  std::vector<Shown> captures;
};

using PageSink = std::function<Status(std::string_view text)>;

// Streams: memory does not grow with the captures.
Result<ExhibitReport> WriteExhibit(const ExhibitRequest& request, const ExhibitOptions& options,
                                   const PageSink& sink);

// What is inside a page that WriteExhibit made.
struct PageInside {
  std::string tool;        // that made it
  ExhibitRequest request;  // without paths
  std::vector<std::string> printed_sha256;
  std::vector<Bytes> captures;
};

// kInvalidArgument: no exhibit. kDamaged: something in it cannot be read.
Result<PageInside> ReadExhibit(const std::string& path);

struct ExhibitCheck {
  bool same_tool = false;  // made by this version: every word was compared; else what it shows only
  std::string differs;     // what is not as the captures inside have it; empty: nothing
};

// Makes the page of `inside` again and compares. `folder` is for files of this call's own; what it
// leaves there the caller removes. Errors: of reading and writing.
Result<ExhibitCheck> CheckExhibit(const std::string& path, const PageInside& inside,
                                  const std::string& folder);
// Whether the file begins as an exhibit does; false if it cannot be read.
bool LooksLikeExhibit(const std::string& path);

}  // namespace witness
