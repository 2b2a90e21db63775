#include "tests/bench/traffic.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <random>

namespace witness {
namespace {

class Maker {
 public:
  Maker(std::string name, std::uint64_t seed) : random_(seed) { traffic_.name = std::move(name); }

  std::mt19937_64& random() { return random_; }
  std::size_t count() const { return spans_.size(); }
  double Uniform(double from, double to) {
    return std::uniform_real_distribution<double>(from, to)(random_);
  }
  double Normal(double mean, double sigma) {
    return std::normal_distribution<double>(mean, sigma)(random_);
  }
  std::uint32_t Below(std::uint32_t n) { return static_cast<std::uint32_t>(random_() % n); }

  void Pause(double us) { now_ns_ += static_cast<std::int64_t>(std::max(us, 0.5) * 1000); }

  // One read that delivers `bytes`; the scheduler's share of the delay is always there.
  void Read(Side side, ByteView bytes) {
    const double late_us = 4 + std::exponential_distribution<double>(1 / 6.0)(random_);
    const std::int64_t at =
        std::max(last_ns_ + 300, now_ns_ + static_cast<std::int64_t>(late_us * 1000));
    last_ns_ = at;
    Event event;
    event.at = Instant::FromNanoseconds(at);
    event.side = side;
    traffic_.events.push_back(event);
    spans_.emplace_back(traffic_.storage.size(), bytes.size());
    traffic_.storage += bytes;
  }

  Traffic Done() {
    for (std::size_t i = 0; i < spans_.size(); ++i) {
      traffic_.events[i].bytes =
          ByteView(traffic_.storage).substr(spans_[i].first, spans_[i].second);
    }
    traffic_.end = Instant::FromNanoseconds(now_ns_);
    return std::move(traffic_);
  }

 private:
  std::mt19937_64 random_;
  Traffic traffic_;
  std::vector<std::pair<std::size_t, std::size_t>> spans_;
  std::int64_t now_ns_ = 0;
  std::int64_t last_ns_ = 0;
};

// ------------------------------------------------------------------------------ AT

struct AtExchange {
  Bytes command;
  std::vector<Bytes> pieces;
  double turnaround_us;
};

AtExchange NextAtExchange(Maker& m) {
  const auto number = [&m](std::uint32_t from, std::uint32_t n) {
    return std::to_string(from + m.Below(n));
  };
  const Bytes ok = "\r\nOK\r\n";
  switch (m.Below(10)) {
    case 0:
      return {"AT+STATE?\r\n", {"\r\n+STATE: JOINED,IDLE,QUEUE=0\r\n", ok}, 4'000};
    case 1:
      return {"AT+FW?\r\n", {"\r\nsedge-b 1.8 built for rain butts\r\n" + ok}, 6'000};
    case 2:
      return {"AT+CHAN=" + number(1, 40) + "\r\n", {ok}, 22'000};
    case 3:
      return {"AT+CHAN?\r\n", {"\r\n+CHAN: " + number(1, 40) + "\r\n", ok}, 7'000};
    case 4:
      return {"AT+POWER=" + number(0, 5) + "\r\n", {ok}, 27'000};
    case 5:
    case 6:
    case 7:
      return {"AT+SIGNAL?\r\n", {"\r\n+SIGNAL: -" + number(58, 30) + " dBm\r\n", ok}, 11'000};
    case 8:
      return {"AT+REPORT=butt-3,level," + number(300, 900) + "\r\n", {ok}, 35'000};
    default:
      return {"AT+JOINED?\r\n", {"\r\n+JOINED: " + number(0, 4) + ",parent 17\r\n", ok}, 9'000};
  }
}

Traffic AtDialogue(std::size_t events) {
  Maker m("AT dialogue", 11);
  while (m.count() < events) {
    const AtExchange exchange = NextAtExchange(m);
    m.Pause(m.Uniform(10'000, 50'000));  // what the sketch does in between
    m.Read(Side::kHost, exchange.command);
    m.Pause(m.Normal(exchange.turnaround_us, 400));
    for (const Bytes& piece : exchange.pieces) {
      m.Read(Side::kModule, piece);
      m.Pause(static_cast<double>(piece.size()) * 86.8 + m.Normal(1'000, 60));
    }
  }
  return m.Done();
}

Traffic AtByteByByte(std::size_t events) {
  Maker m("AT, 1 byte a read", 12);
  const auto say = [&m](Side side, ByteView bytes) {
    while (!bytes.empty()) {
      const std::size_t n = m.Below(6) == 0 ? 2 : 1;
      m.Pause(86.8 * static_cast<double>(std::min(n, bytes.size())));
      m.Read(side, bytes.substr(0, n));
      bytes.remove_prefix(std::min(n, bytes.size()));
    }
  };
  while (m.count() < events) {
    const AtExchange exchange = NextAtExchange(m);
    m.Pause(m.Uniform(20'000, 120'000));
    say(Side::kHost, exchange.command);
    m.Pause(m.Normal(exchange.turnaround_us, 400));
    for (const Bytes& piece : exchange.pieces) {
      say(Side::kModule, piece);
      m.Pause(m.Normal(1'000, 60));
    }
  }
  return m.Done();
}

// ------------------------------------------------------------------------------ NMEA

Bytes Sentence(const char* text) {
  unsigned sum = 0;
  for (const char* p = text; *p != 0; ++p) sum ^= static_cast<unsigned char>(*p);
  char tail[8];
  std::snprintf(tail, sizeof tail, "*%02X\r\n", sum);
  return "$" + Bytes(text) + tail;
}

// A Fen receiver that drifts about its place.
Traffic Nmea(std::size_t events, double rate_hz, const char* name, std::uint64_t seed) {
  Maker m(name, seed);
  double latitude = 12.3456;
  double longitude = 34.5678;
  double height = 23.4;
  double time = 36'000;
  double course = 200;
  double speed = 0.1;
  const auto chunks = [&m](const Bytes& bytes) {
    for (std::size_t at = 0; at < bytes.size();) {
      const std::size_t n = std::min<std::size_t>(bytes.size() - at, 26 + m.Below(12));
      m.Pause(static_cast<double>(n) * 86.8 + m.Normal(0, 15));
      m.Read(Side::kModule, ByteView(bytes).substr(at, n));
      at += n;
    }
  };
  std::int64_t epoch = 0;
  while (m.count() < events) {
    latitude += m.Normal(0, 4e-6);
    longitude += m.Normal(0, 4e-6);
    height += m.Normal(0, 0.06);
    course = std::clamp(course + m.Normal(0, 0.4), 100.0, 300.0);
    speed = std::clamp(speed + m.Normal(0, 0.01), 0.0, 0.4);
    const int h = static_cast<int>(time / 3600) % 24;
    const int min = static_cast<int>(time / 60) % 60;
    const double s = std::fmod(time, 60);
    const unsigned satellites = 7 + static_cast<unsigned>(epoch / 200 % 4);
    char text[200];
    Bytes burst;
    std::snprintf(text, sizeof text,
                  "GPGGA,%02d%02d%05.2f,%09.4f,N,%010.4f,E,1,%02u,1.1,%.1f,M,46.9,M,,", h, min, s,
                  latitude * 100, longitude * 100, satellites, height);
    burst += Sentence(text);
    std::snprintf(text, sizeof text,
                  "GPRMC,%02d%02d%05.2f,A,%09.4f,N,%010.4f,E,%05.2f,%05.1f,251126,,,A", h, min, s,
                  latitude * 100, longitude * 100, speed, course);
    burst += Sentence(text);
    std::snprintf(text, sizeof text, "GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.1,2.1");
    burst += Sentence(text);
    std::snprintf(text, sizeof text, "GPVTG,%05.1f,T,,M,%05.2f,N,%05.2f,K,A", course, speed,
                  speed * 1.852);
    burst += Sentence(text);
    chunks(burst);
    time += 1 / rate_hz;
    ++epoch;
    m.Pause(
        std::max(1e6 / rate_hz - static_cast<double>(burst.size()) * 86.8 + m.Normal(0, 100), 1.0));
  }
  return m.Done();
}

// ------------------------------------------------------------------------------ Modbus

void AppendModbusCrc(Bytes& frame) {
  unsigned crc = 0xFFFF;
  for (const char c : frame) {
    crc ^= static_cast<std::uint8_t>(c);
    for (int bit = 0; bit < 8; ++bit) crc = (crc >> 1) ^ ((crc & 1) != 0 ? 0xA001 : 0);
  }
  frame += static_cast<char>(crc & 0xFF);
  frame += static_cast<char>(crc >> 8);
}

Traffic Modbus(std::size_t events) {
  Maker m("Modbus", 14);
  std::vector<double> levels(40, 500);
  unsigned unit = 0;
  while (m.count() < events) {
    unit = unit % 5 + 1;
    const unsigned registers = 2 + unit % 3 * 2;
    Bytes request{static_cast<char>(unit),         3, 0,
                  static_cast<char>(unit * 8 - 8), 0, static_cast<char>(registers)};
    AppendModbusCrc(request);
    m.Pause(m.Normal(20'000, 60));
    m.Read(Side::kHost, request);
    Bytes reply{static_cast<char>(unit), 3, static_cast<char>(registers * 2)};
    for (unsigned i = 0; i < registers; ++i) {
      double& level = levels[unit * 7 - 7 + i];
      level = std::clamp(level + m.Normal(0, 0.5), 0.0, 2000.0);
      const auto value = static_cast<unsigned>(level);
      reply += static_cast<char>(value >> 8);
      reply += static_cast<char>(value & 0xFF);
    }
    AppendModbusCrc(reply);
    m.Pause(m.Normal(6'000 + 500 * unit, 60));
    m.Read(Side::kModule, reply);
  }
  return m.Done();
}

// ------------------------------------------------------------------------------ firmware

// Something like a program: words that recur, runs of code seen before with new constants in it,
// tables, text, and blank flash.
Bytes FirmwareImage(Maker& m, std::size_t size) {
  Bytes image;
  Bytes words;
  for (int i = 0; i < 4096; ++i) words += static_cast<char>(m.random()());
  while (image.size() < size) {
    const std::uint32_t what = m.Below(100);
    if (what < 68 && image.size() > 4096) {
      const std::size_t back =
          16 +
          m.Below(static_cast<std::uint32_t>(std::min<std::size_t>(image.size() - 64, 60'000)));
      const std::size_t n = 10 + m.Below(48);
      const std::size_t from = image.size() - back;
      for (std::size_t i = 0; i < n && from + i < image.size(); ++i) image += image[from + i];
    } else if (what < 93) {
      for (std::uint32_t i = 0, n = 4 + m.Below(12); i < n; ++i) {
        const auto word = static_cast<std::size_t>(
            2048 * std::pow(m.Uniform(0, 1), 3.0));  // few words are frequent
        image += words.substr(word * 2, 2);
      }
    } else if (what < 97) {
      for (std::uint32_t i = 0, n = 4 + m.Below(10); i < n; ++i) {
        image += static_cast<char>(m.random()());
      }
    } else {
      image.append(16 + m.Below(200), '\xFF');
    }
  }
  image.resize(size);
  return image;
}

Traffic FirmwareBurst(std::size_t events) {
  Maker m("firmware burst", 15);
  const Bytes image = FirmwareImage(m, 3'000'000);
  std::size_t at = 0;
  while (m.count() < events) {
    for (int part = 0; part < 16; ++part) {
      const std::size_t n = std::min<std::size_t>(m.Below(8) == 0 ? 56 : 62, image.size() - at);
      m.Pause(static_cast<double>(n) * 10.85 + m.Normal(0, 20));  // 921600 baud
      m.Read(Side::kHost, ByteView(image).substr(at, n));
      at = (at + n) % image.size();
    }
    m.Pause(m.Normal(2'500, 300));
    m.Read(Side::kModule, "\x06");
  }
  return m.Done();
}

}  // namespace

Traffic TrafficOf(std::size_t which, std::size_t events) {
  switch (which) {
    case 0:
      return AtDialogue(events);
    case 1:
      return AtByteByByte(events);
    case 2:
      return Nmea(events, 10, "NMEA 10 Hz", 13);
    case 3:
      return Modbus(events);
    case 4:
      return FirmwareBurst(events);
    default:
      return Nmea(events, 1, "NMEA 1 Hz", 16);
  }
}

std::vector<Traffic> AllTraffic(std::size_t events) {
  std::vector<Traffic> all;
  for (std::size_t i = 0; i < kTrafficClasses; ++i) all.push_back(TrafficOf(i, events));
  return all;
}

}  // namespace witness
