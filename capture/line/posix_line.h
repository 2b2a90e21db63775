// The few system calls that all descriptor-backed ports share. Only line/ includes this.
#pragma once

#include <span>
#include <string>

#include "capture/base/line_settings.h"
#include "capture/line/port.h"

namespace witness {

// read(2) with its outcomes told apart. The line must be non-blocking and wait for at least one
// byte (VMIN 1), so that 0 means the other side is gone.
ReadResult ReadDescriptor(int descriptor, std::span<char> buffer, const std::string& name);

// write(2); 0 when the line takes nothing now.
Result<std::size_t> WriteDescriptor(int descriptor, ByteView bytes, const std::string& name);

// No echo, no translation, no signals, one byte at a time; rate and format are left as they are.
Status MakeRaw(int descriptor, const std::string& name);

// Takes the line for us alone (TIOCEXCL and flock). kIo and who has it, if somebody has.
Status TakeExclusively(int descriptor, const std::string& path);

// Waits until what was written has left, at most `limit`; then throws the rest away, so that a
// close cannot hang on a peer that does not read.
void DrainBounded(int descriptor, Duration limit);

// Sets any rate. False: refused.
bool SetBaud(int descriptor, std::uint32_t baud);

// Format, flow control and rate as the kernel holds them.
Result<LineSettings> ReadSettings(int descriptor, const std::string& name);

// "program (process 123), ..." that have `path` open, besides us; empty if none can be seen.
std::string WhoHas(const std::string& path);
// How many do, besides us.
int CountHolders(const std::string& path);

// An open(2) that failed with `error`, in words: what is missing and what to do about it.
Status OpenError(const std::string& path, int error);

}  // namespace witness
