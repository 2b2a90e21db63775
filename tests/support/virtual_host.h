// A program on trial that exists in virtual time only: asks its commands, reads each reply in one
// of the usual ways, prints what it took for the reply.
#pragma once

#include <string>
#include <vector>

#include "replay/subject/subject.h"

namespace trial {

struct VirtualHost : Subject {
  enum class Reading { kUntilSilent, kUntilLf, kFirstBytes };

  std::vector<Bytes> commands = {"AT\r\n", "AT+FW?\r\n"};
  Reading reading = Reading::kUntilSilent;
  int lines = 2;  // kUntilLf: so many
  Duration quiet = Duration::Milliseconds(100);
  Duration timeout = Duration::Seconds(1);
  int runs = 0;

  std::string Describe() const override { return "virtual host"; }
  std::string CommandLine() const override { return "-- virtual {port}"; }
  bool virtual_time() const override { return true; }
  int most_at_once() const override { return 1; }

  witness::Result<Observations> Run(const Part& part, const RunLimits& limits) override {
    ++runs;
    Observations seen;
    seen.virtual_time = true;
    Player player(part);
    Instant now;
    player.Start(now);
    bool out_of_time = false;
    for (const Bytes& command : commands) {
      now = now + Duration::Milliseconds(1);
      player.Receive(now, command);
      Bytes reply;
      const Instant asked = now;
      Instant last = now;
      for (;;) {
        Collect(player, now, seen, reply, last);
        const Instant until = reply.empty() || reading == Reading::kUntilLf
                                  ? (reading == Reading::kUntilLf ? last : asked) + timeout
                                  : last + quiet;
        if (reading == Reading::kUntilLf && Lines(reply) >= lines) break;
        if (reading == Reading::kFirstBytes && !reply.empty()) break;
        const Instant next = std::min(player.NextAt(), until);
        if (next - Instant() > limits.within) {
          out_of_time = true;
          break;
        }
        now = std::max(now, next);
        if (player.NextAt() > until && now >= until) break;
      }
      if (out_of_time) break;
      std::string text;
      for (const char c : reply)
        if (c != '\r' && c != '\n') text += c;
      seen.printed.push_back({now, false, text + "\n"});
    }
    seen.commands = player.commands();
    seen.unfinished = Bytes(player.unfinished());
    seen.ending = out_of_time ? SubjectEnding::kOutOfTime : SubjectEnding::kExited;
    seen.ended = out_of_time ? Instant() + limits.within : now;
    return seen;
  }

 private:
  static int Lines(const Bytes& reply) {
    int lines = 0;
    for (const char c : reply) lines += c == '\n' ? 1 : 0;
    return lines;
  }
  static void Collect(Player& player, Instant now, Observations& seen, Bytes& reply,
                      Instant& last) {
    std::vector<Send> sends;
    player.Advance(now, sends);
    for (const Send& send : sends) {
      seen.said.push_back({send, send.due});
      reply += send.bytes;
      last = now;
    }
  }
};

}  // namespace trial
