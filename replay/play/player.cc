#include "replay/play/player.h"

#include <algorithm>
#include <utility>

namespace trial {
namespace {

// A command longer than this is taken as it is; keeps memory bounded.
constexpr std::size_t kLongestCommand = 65536;

}  // namespace

Player::Player(Part part) : part_(std::move(part)), times_(part_.rules.size(), 0) {
  cues_.reserve(part_.rules.size());
  for (const Rule& rule : part_.rules) cues_.emplace_back(rule.cue);
}

void Player::Start(Instant now) {
  last_heard_ = now;
  last_over_ = echo_until_ = busy_until_ = now;
  unasked_at_.clear();
  for (const Unasked& unasked : part_.unasked)
    unasked_at_.push_back(unasked.at ? now + *unasked.at : Instant::Never());
}

void Player::Receive(Instant now, ByteView bytes) {
  if (part_.plays == witness::Side::kHost)
    ReceiveAsHost(now, bytes);
  else
    ReceiveAsModule(now, bytes);
}

void Player::ReceiveAsModule(Instant now, ByteView bytes) {
  EndBySilence(now);
  if (bytes.empty()) return;
  const bool asleep = part_.sleeps_after && now - last_heard_ > *part_.sleeps_after;
  last_heard_ = now;
  if (asleep) bytes.remove_prefix(LostInSleep(bytes));
  if (part_.echo == Echo::kByCharacter) PlanEcho(now, bytes);
  for (const char byte : bytes) {
    if (Absorb(now, byte)) continue;
    if (pending_.empty()) pending_from_ = now;
    pending_ += byte;
    pending_to_ = now;
    const std::size_t terminator = TerminatorAtEnd();
    if (terminator == 0 && pending_.size() < kLongestCommand) continue;
    absorbing_ = pending_.substr(pending_.size() - terminator);
    Take(now, false);
  }
}

// The first byte; of an ending that wakes it, the rest as well.
std::size_t Player::LostInSleep(ByteView bytes) const {
  std::size_t most = 1;
  for (const Bytes& terminator : part_.command_end.terminators)
    if (bytes.starts_with(terminator)) most = std::max(most, terminator.size());
  return most;
}

// The rest of a longer terminator, once a shorter one has ended the command.
bool Player::Absorb(Instant now, char byte) {
  if (absorbing_.empty()) return false;
  const Bytes longer = absorbing_ + byte;
  for (const Bytes& terminator : part_.command_end.terminators) {
    if (!terminator.starts_with(longer)) continue;
    absorbing_ = longer;
    if (!commands_.empty() && pending_.empty()) {
      commands_.back().bytes += byte;
      commands_.back().to = now;
    }
    return true;
  }
  absorbing_.clear();
  return false;
}

std::size_t Player::TerminatorAtEnd() const {
  std::size_t longest = 0;
  for (const Bytes& terminator : part_.command_end.terminators)
    if (pending_.ends_with(terminator)) longest = std::max(longest, terminator.size());
  return longest;
}

void Player::EndBySilence(Instant now) {
  if (pending_.empty() || !part_.command_end.silence) return;
  const Instant ended = pending_to_ + *part_.command_end.silence;
  if (ended <= now) Take(ended, true);
}

void Player::Take(Instant taken, bool by_silence) {
  TakenCommand command;
  command.bytes = std::exchange(pending_, {});
  command.from = pending_from_;
  command.to = pending_to_;
  command.taken = taken;
  command.by_silence = by_silence;
  if (by_silence) absorbing_.clear();
  if (part_.echo == Echo::kWhole) PlanEcho(taken, command.bytes);

  const Answer* answer = FindAnswer(command);
  // A lone line ending is no command, unless a rule waits for it.
  if (!command.known && WithoutEnding(command.bytes).empty()) {
    absorbing_.clear();
    return;
  }
  commands_.push_back(command);
  const auto ordinal = static_cast<std::uint32_t>(commands_.size());
  Instant base = std::max({taken, busy_until_, echo_until_});
  for (const Unasked& unasked : part_.unasked)
    if (unasked.before_command == ordinal)
      PlanPieces(base, unasked.pieces, SaidSort::kUnasked, ordinal, &base);
  busy_until_ = base;
  if (answer != nullptr)
    PlanPieces(base, answer->pieces, command.known ? SaidSort::kAnswer : SaidSort::kUnknownAnswer,
               ordinal, &busy_until_);
  for (const Unasked& unasked : part_.unasked)
    if (unasked.after_command == ordinal)
      PlanPieces(busy_until_, unasked.pieces, SaidSort::kUnasked, ordinal, &busy_until_);
}

const Answer* Player::FindAnswer(TakenCommand& command) {
  if (part_.following == Following::kInOrder) {
    if (WithoutEnding(command.bytes).empty()) return nullptr;
    const std::size_t turn = commands_.size() + 1;
    for (std::size_t i = 0; i < part_.rules.size(); ++i)
      for (const Answer& answer : part_.rules[i].answers)
        if (answer.turn == turn) {
          command.known = true;
          command.rule = static_cast<int>(i);
          command.turn = answer.turn;
          return &answer;
        }
    return nullptr;  // the conversation is over
  }
  for (std::size_t i = 0; i < part_.rules.size(); ++i) {
    if (!cues_[i].Matches(command.bytes)) continue;
    command.known = true;
    command.rule = static_cast<int>(i);
    const auto& answers = part_.rules[i].answers;
    if (answers.empty()) return nullptr;
    const Answer& answer = answers[std::min(times_[i]++, answers.size() - 1)];
    command.turn = answer.turn;
    return &answer;
  }
  return part_.unknown ? &*part_.unknown : nullptr;
}

void Player::PlanEcho(Instant at, ByteView bytes) {
  const Instant due = at + part_.echo_delay;
  echo_until_ = std::max(echo_until_, due);
  Plan({due, Bytes(bytes), SaidSort::kEcho, static_cast<std::uint32_t>(commands_.size() + 1)});
}

void Player::PlanPieces(Instant base, const std::vector<Piece>& pieces, SaidSort sort,
                        std::uint32_t command, Instant* end) {
  Instant due = base;
  for (const Piece& piece : pieces) {
    due = due + piece.after;
    Plan({due, piece.bytes, sort, command});
  }
  if (end != nullptr) *end = due;
}

void Player::Plan(Send send) {
  if (send.bytes.empty()) return;
  const auto place =
      std::upper_bound(planned_.begin(), planned_.end(), send.due,
                       [](Instant due, const Planned& p) { return due < p.send.due; });
  planned_.insert(place, Planned{std::move(send), order_++});
}

void Player::PlanUnaskedUpTo(Instant now) {
  for (std::size_t i = 0; i < unasked_at_.size(); ++i) {
    const Unasked& unasked = part_.unasked[i];
    while (unasked_at_[i] <= now) {
      PlanPieces(unasked_at_[i], unasked.pieces, SaidSort::kUnasked, 0, nullptr);
      const bool again = unasked.every && *unasked.every > Duration::Zero();
      unasked_at_[i] = again ? unasked_at_[i] + *unasked.every : Instant::Never();
    }
  }
}

void Player::Advance(Instant now, std::vector<Send>& out) {
  if (part_.plays == witness::Side::kHost)
    AdvanceHost(now);
  else
    EndBySilence(now);
  PlanUnaskedUpTo(now);
  std::size_t due = 0;
  while (due < planned_.size() && planned_[due].send.due <= now)
    out.push_back(std::move(planned_[due++].send));
  planned_.erase(planned_.begin(), planned_.begin() + static_cast<std::ptrdiff_t>(due));
}

Instant Player::NextAt() const {
  Instant next = planned_.empty() ? Instant::Never() : planned_.front().send.due;
  for (const Instant at : unasked_at_) next = std::min(next, at);
  if (part_.plays == witness::Side::kHost) {
    if (asking_)
      next = std::min(next, HostOverAt());
    else if (next_ask_ < part_.asks.size())
      next = std::min(next, HostNextAskAt());
  } else if (!pending_.empty() && part_.command_end.silence) {
    next = std::min(next, pending_to_ + *part_.command_end.silence);
  }
  return next;
}

bool Player::Idle() const {
  if (!planned_.empty()) return false;
  if (part_.plays == witness::Side::kHost) return !asking_ && next_ask_ == part_.asks.size();
  if (!pending_.empty() && part_.command_end.silence) return false;
  for (std::size_t i = 0; i < unasked_at_.size(); ++i)
    if (!unasked_at_[i].never() && !part_.unasked[i].every) return false;
  return true;
}

void Player::ReceiveAsHost(Instant now, ByteView bytes) {
  if (bytes.empty()) return;
  std::vector<Send> none;
  AdvanceHost(now);
  if (heard_.empty()) return;  // said before we asked anything
  HeardAnswer& heard = heard_.back();
  const Instant before = heard.bytes.empty() ? heard.asked : heard.to;
  if (heard.bytes.empty()) heard.from = now;
  heard.to = now;
  heard.bytes += bytes;
  if (heard.pieces.size() < kLongestCommand) heard.pieces.push_back({now - before, Bytes(bytes)});
  last_over_ = now;
}

// When the answer that is waited for is over, if no further byte comes.
Instant Player::HostOverAt() const {
  const Ask& ask = part_.asks[next_ask_ - 1];
  const HeardAnswer& heard = heard_.back();
  if (heard.bytes.empty()) return heard.asked + ask.wait;
  // All that is expected is there: no need to wait for a silence.
  if (heard.bytes == JoinPieces(ask.expect)) return heard.to;
  return heard.to + ask.quiet;
}

// When the next command is due, once the answer before is over.
Instant Player::HostNextAskAt() const {
  const Instant due = last_over_ + part_.asks[next_ask_].after;
  if (heard_.empty() || heard_.back().bytes.empty()) return due;
  // That the answer is over may be known only later than `after` asks for.
  const Ask& before = part_.asks[next_ask_ - 1];
  if (heard_.back().bytes == JoinPieces(before.expect)) return due;
  return std::max(due, heard_.back().to + before.quiet);
}

void Player::AdvanceHost(Instant now) {
  for (;;) {
    if (asking_) {
      if (HostOverAt() > now) return;
      asking_ = false;
      if (heard_.back().bytes.empty()) last_over_ = HostOverAt();
    }
    if (next_ask_ == part_.asks.size()) return;
    const Ask& ask = part_.asks[next_ask_];
    const Instant due = HostNextAskAt();
    if (due > now) return;
    ++next_ask_;
    asking_ = true;
    heard_.push_back({{}, due, due, due, {}});
    Plan({due, ask.bytes, SaidSort::kCommand, static_cast<std::uint32_t>(next_ask_)});
  }
}

}  // namespace trial
