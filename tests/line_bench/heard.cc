#include "tests/line_bench/heard.h"

namespace witness::line_bench {

Heard::Heard(Port& port) : port_(port), driver_(Driver::Create(clock)) {
  PortHandlers handlers;
  handlers.on_bytes = [this](Instant, ByteView got) {
    bytes += got;
    // Reads may come in any pieces.
    if (!items.empty() && items.back().starts_with("bytes "))
      items.back() += ToEscapes(got);
    else
      items.push_back("bytes " + ToEscapes(got));
  };
  handlers.on_bad_byte = [this](Instant, ByteView got) {
    bytes += got;
    items.push_back("bad " + ToEscapes(got));
  };
  handlers.on_break = [this](Instant) { items.push_back("break"); };
  handlers.on_lines = [this](Instant, std::uint32_t asserted, std::uint32_t changed) {
    static constexpr struct {
      std::uint32_t bit;
      const char* name;
    } kNames[] = {{2, "cts"}, {8, "dsr"}, {16, "dcd"}, {32, "ri"}};
    std::string text = "lines";
    for (const auto& line : kNames)
      if (changed & line.bit)
        text += std::string(" ") + line.name + (asserted & line.bit ? "=1" : "=0");
    items.push_back(text);
  };
  handlers.on_counts = [this](Instant, const LineCounts& more) {
    if (more.framing > 0) items.push_back("framing " + std::to_string(more.framing));
    if (more.parity > 0) items.push_back("parity " + std::to_string(more.parity));
    if (more.overrun > 0) items.push_back("overrun " + std::to_string(more.overrun));
    if (more.buffer_overrun > 0) items.push_back("buffer " + std::to_string(more.buffer_overrun));
    if (more.breaks > 0) items.push_back("breaks " + std::to_string(more.breaks));
  };
  handlers.on_end = [this](Instant at, ReadOutcome why, const Status&) {
    ended = true;
    end_outcome = why;
    ended_at = at;
  };
  driver_->AddPort(port, std::move(handlers));
}

Heard::~Heard() = default;

bool Heard::Until(const std::function<bool()>& done, Duration within) {
  const Instant limit = clock.Now() + within;
  std::function<void(Instant)> look = [&](Instant now) {
    if (done() || now >= limit)
      driver_->Stop();
    else
      driver_->SetTimer(now + Duration::Milliseconds(2), look);
  };
  driver_->SetTimer(clock.Now(), look);
  return driver_->Run().ok() && done();
}

void Heard::For(Duration length) {
  Until([] { return false; }, length);
}

}  // namespace witness::line_bench
