// Outcomes of calls: Status (done or not) and Result<T> (a value or why not).
//
// Nothing here throws. A message names what failed, where (path, line, offset) and, if there is
// something to do about it, what; it is one line without a full stop and safe to print.
#pragma once

#include <cassert>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

namespace witness {

enum class Code {
  kOk = 0,
  kInvalidArgument,  // the caller's words, a plan or a text file are wrong
  kNotFound,         // no such file, port or command
  kDamaged,          // bytes that were read prove to be wrong
  kUnsupported,      // understood, but not offered here
  kDisconnected,     // the other side is gone
  kIo,               // the operating system refused or failed
  kInterrupted,      // the person ended it
};

class [[nodiscard]] Status {
 public:
  Status() = default;
  Status(Code code, std::string message) : code_(code), message_(std::move(message)) {}

  bool ok() const { return code_ == Code::kOk; }
  Code code() const { return code_; }
  const std::string& message() const { return message_; }

  // The same outcome with `where` put in front of the message, e.g. a path.
  Status In(std::string_view where) const {
    if (ok()) return *this;
    return Status(code_, std::string(where) + ": " + message_);
  }

  // For the rare place where failing must not matter; says so to the reader.
  void Ignore() const {}

 private:
  Code code_ = Code::kOk;
  std::string message_;
};

inline Status OkStatus() { return Status(); }

template <typename T>
class [[nodiscard]] Result {
 public:
  Result(T value) : value_(std::move(value)) {}         // NOLINT: converts on purpose
  Result(Status status) : status_(std::move(status)) {  // NOLINT: converts on purpose
    assert(!status_.ok());
  }

  bool ok() const { return value_.has_value(); }
  const Status& status() const { return status_; }

  // Precondition of the following: ok().
  T& value() & { return *value_; }
  const T& value() const& { return *value_; }
  T&& value() && { return *std::move(value_); }
  T& operator*() & { return *value_; }
  const T& operator*() const& { return *value_; }
  T&& operator*() && { return *std::move(value_); }
  T* operator->() { return &*value_; }
  const T* operator->() const { return &*value_; }

 private:
  std::optional<T> value_;
  Status status_;
};

}  // namespace witness
