// The classes of talks that the labelled corpus of corpus.h has.
#pragma once

#include <vector>

#include "tests/support/corpus.h"

namespace witness::test {

inline const std::vector<CorpusClass>& CorpusClasses() {
  static const std::vector<CorpusClass> classes = [] {
    std::vector<CorpusClass> out;
    const auto add = [&](const char* name) -> CorpusClass& {
      out.emplace_back();
      out.back().name = name;
      return out.back();
    };
    // Two sides known.
    add("v250 crlf");
    add("v250 cr").command_ending = "\r";
    add("v250 by byte").chunking = Chunking::kByteByByte;
    add("v250 random reads").chunking = Chunking::kRandom;
    {
      auto& c = add("v250 latency 1 ms");
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 1;
    }
    {
      auto& c = add("v250 latency 16 ms");
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
    }
    {
      auto& c = add("v250 115200");
      c.baud = 115200;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("v250 1200");
      c.baud = 1200;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 replies end cr");
      c.command_ending = "\r";
      c.reply_ending = "\r";
    }
    {
      auto& c = add("v250 pieces 35 ms");
      c.piece_pause_ms = 35;
    }
    {
      auto& c = add("v250 pieces 80 ms");
      c.piece_pause_ms = 80;
      c.gap_ms = 1500;
    }
    {
      auto& c = add("v250 pieces by byte");
      c.piece_pause_ms = 20;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 echo whole");
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
    }
    {
      auto& c = add("v250 echo by character");
      c.echo = EchoStyle::kByCharacter;
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 typed with echo");
      c.echo = EchoStyle::kByCharacter;
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
      c.typed = true;
    }
    {
      auto& c = add("v250 typed without echo");
      c.command_ending = "\r";
      c.chunking = Chunking::kByteByByte;
      c.typed = true;
    }
    {
      auto& c = add("v250 echo latency");
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 4;
    }
    add("v250 unasked between").unasked = Unasked::kBetween;
    add("v250 unasked before").unasked = Unasked::kBefore;
    add("v250 unasked inside").unasked = Unasked::kInside;
    {
      auto& c = add("v250 unasked inside by byte");
      c.unasked = Unasked::kInside;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("v250 unasked random reads");
      c.unasked = Unasked::kInside;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("v250 echo and unasked");
      c.unasked = Unasked::kBetween;
      c.echo = EchoStyle::kWhole;
      c.command_ending = "\r";
    }
    add("v250 banner").banner = true;
    add("v250 pipelined").pipelined = true;
    {
      auto& c = add("v250 pipelined random reads");
      c.pipelined = true;
      c.chunking = Chunking::kRandom;
    }
    add("v250 unanswered").unanswered = 0.3;
    add("v250 slow").turnaround_ms = 600;
    {
      auto& c = add("v250 long replies");
      c.long_reply = 400;
      c.chunking = Chunking::kRandom;
    }
    add("v250 gaps").gaps = true;
    {
      auto& c = add("bare both ways");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
    }
    {
      auto& c = add("bare by byte");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("bare unanswered");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.unanswered = 0.3;
    }
    {
      auto& c = add("bare pieces");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.turnaround_ms = 420;
      c.piece_pause_ms = 25;
    }
    {
      auto& c = add("bare echo");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.echo = EchoStyle::kWhole;
    }
    {
      auto& c = add("bare replies to lines");
      c.reply_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("bare latency 16 ms");
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
      c.turnaround_ms = 60;
    }
    {
      auto& c = add("lines cr");
      c.command_ending = "\r";
      c.reply_ending = "\r";
      c.v250 = false;
    }
    {
      auto& c = add("lines lf");
      c.command_ending = "\n";
      c.reply_ending = "\n";
      c.v250 = false;
    }
    {
      auto& c = add("lines pipelined");
      c.command_ending = "\n";
      c.reply_ending = "\n";
      c.v250 = false;
      c.pipelined = true;
    }
    {
      auto& c = add("lines unasked between");
      c.v250 = false;
      c.unasked = Unasked::kBetween;
    }
    add("binary").binary = true;
    {
      auto& c = add("binary by byte");
      c.binary = true;
      c.chunking = Chunking::kByteByByte;
    }
    {
      auto& c = add("binary latency");
      c.binary = true;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 8;
    }
    {
      auto& c = add("binary pieces");
      c.binary = true;
      c.piece_pause_ms = 30;
    }
    // One side, or one wire: only silence separates.
    {
      auto& c = add("module only, bare");
      c.heard = Heard::kModuleOnly;
      c.command_ending = "";
      c.reply_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("module only, v250");
      c.heard = Heard::kModuleOnly;
    }
    {
      auto& c = add("module only, pieces");
      c.heard = Heard::kModuleOnly;
      c.piece_pause_ms = 25;
    }
    {
      auto& c = add("module only, latency");
      c.heard = Heard::kModuleOnly;
      c.chunking = Chunking::kLatencyTimer;
      c.latency_ms = 16;
    }
    {
      auto& c = add("module only, binary");
      c.heard = Heard::kModuleOnly;
      c.binary = true;
      c.chunking = Chunking::kRandom;
    }
    {
      auto& c = add("host only, bare");
      c.heard = Heard::kHostOnly;
      c.command_ending = "";
      c.v250 = false;
    }
    {
      auto& c = add("host only, lines");
      c.heard = Heard::kHostOnly;
    }
    {
      auto& c = add("one wire, binary");
      c.heard = Heard::kOneWire;
      c.binary = true;
      c.turnaround_ms = 400;
    }
    {
      auto& c = add("one wire, lines");
      c.heard = Heard::kOneWire;
      c.v250 = false;
      c.turnaround_ms = 300;
    }
    return out;
  }();
  return classes;
}

}  // namespace witness::test
