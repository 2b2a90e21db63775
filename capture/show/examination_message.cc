#include "capture/show/examination_message.h"

#include <google/protobuf/io/coded_stream.h>
#include <google/protobuf/io/zero_copy_stream_impl_lite.h>
#include <google/protobuf/util/json_util.h>
#include <google/protobuf/util/type_resolver_util.h>

#include <algorithm>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "proto/examination.pb.h"

namespace witness {
namespace {

using Message = bytewitness::Examination;

// The same for the same message, whatever the process: entries of maps in the order of their keys.
std::string Json(const google::protobuf::Message& message) {
  namespace io = google::protobuf::io;
  namespace util = google::protobuf::util;
  constexpr char kTypes[] = "bytewitness";
  static util::TypeResolver* const resolver = util::NewTypeResolverForDescriptorPool(
      kTypes, google::protobuf::DescriptorPool::generated_pool());
  std::string binary, out;
  {
    io::StringOutputStream stream(&binary);
    io::CodedOutputStream coded(&stream);
    coded.SetSerializationDeterministic(true);
    message.SerializeToCodedStream(&coded);
  }
  // Cannot fail for a message made here: it holds no Any and its texts are valid UTF-8.
  (void)util::BinaryToJsonString(
      resolver, std::string(kTypes) + "/" + message.GetDescriptor()->full_name(), binary, &out);
  return out;
}

std::uint64_t Ns(Duration d) {
  return static_cast<std::uint64_t>(std::max<std::int64_t>(d.ns(), 0));
}
std::uint64_t Ns(Instant t) {
  return static_cast<std::uint64_t>(std::max<std::int64_t>(t.ns(), 0));
}

void Fill(const Distribution& from, Message::Distribution* to) {
  to->set_count(from.count());
  to->set_min_ns(Ns(from.min()));
  to->set_median_ns(Ns(from.Median()));
  to->set_p95_ns(Ns(from.Quantile(0.95)));
  to->set_max_ns(Ns(from.max()));
  for (const Distribution::Bin& bin : from.Octaves()) {
    if (bin.count == 0) continue;
    auto* out = to->add_bin();
    out->set_from_ns(Ns(bin.from));
    out->set_to_ns(Ns(bin.to));
    out->set_count(bin.count);
  }
}

void Fill(const EndingTally& from, Message::Endings* to) {
  to->set_none(from.none);
  to->set_cr(from.cr);
  to->set_lf(from.lf);
  to->set_cr_lf(from.cr_lf);
  to->set_not_text(from.not_text);
}

void Fill(const Conventions& from, Message::Conventions* to) {
  to->set_silence_ns(Ns(from.silence.value));
  to->set_silence_set_by_person(from.silence.set_by_person);
  to->set_silence_why(from.silence.why);
  to->set_longest_pause_ns(Ns(from.silence.longest_below));
  to->set_shortest_silence_ns(Ns(from.silence.shortest_above));
  to->set_host_heard(from.host_heard);
  to->set_module_heard(from.module_heard);
  to->set_unknown_heard(from.unknown_heard);
  to->set_terminated_commands(from.terminated_commands);
  to->set_result_codes(from.result_codes);
  to->set_echo(from.echo);
  to->set_framing(FramingName(from.framing));
  for (const Bytes& end : from.answer_ends) to->add_answer_end(SafeTextWithEnding(end));
  to->set_one_line_replies(from.one_line_replies);
  for (const Bytes& head : from.unasked_heads) to->add_unasked(SafeText(head));
}

}  // namespace

std::string SegmentJson(const Segment& s) {
  Message::Segment out;
  out.set_index(s.index);
  out.set_kind(static_cast<Message::Segment::Kind>(s.kind));
  out.set_side(static_cast<Message::Side>(s.side));
  out.set_from_ns(Ns(s.from));
  out.set_to_ns(Ns(s.to));
  out.set_first_event(s.first_event);
  out.set_first_offset(static_cast<std::uint32_t>(s.first_offset));
  out.set_last_event(s.last_event);
  out.set_last_offset(static_cast<std::uint32_t>(s.last_offset));
  out.set_bytes(s.bytes);
  if (!s.bytes.empty()) out.set_shown(SafeTextWithEnding(s.bytes));
  out.set_ending(static_cast<Message::Ending>(s.ending));
  out.set_ended_by(static_cast<Message::Segment::EndedBy>(s.ended_by));
  out.set_why(WhyEnded(s));
  out.set_kind_why(s.kind_why);
  out.set_sure(static_cast<Message::Segment::Sure>(s.sure));
  out.set_turn(s.turn);
  out.set_protocol(ProtocolOf(s));
  out.set_bad_bytes(s.bad_bytes);
  for (const SegmentPiece& piece : s.pieces) {
    auto* p = out.add_piece();
    p->set_at_ns(Ns(piece.at));
    p->set_event(piece.event);
    p->set_size(static_cast<std::uint32_t>(piece.size));
  }
  return Json(out);
}

std::string ExchangeJson(const Exchange& e) {
  Message::Exchange out;
  out.set_turn(e.command.turn);
  out.set_command(e.command.index);
  if (e.echo) out.set_echo(e.echo->index);
  Bytes all;
  for (const Segment& reply : e.replies) {
    out.add_reply(reply.index);
    all += reply.bytes;
  }
  for (const Segment& s : e.unsolicited) out.add_unsolicited(s.index);
  if (e.turnaround) out.set_turnaround_ns(Ns(*e.turnaround));
  out.set_longest_pause_ns(Ns(e.longest_pause));
  out.set_command_shown(SafeTextWithEnding(e.command.bytes));
  if (!e.replies.empty()) out.set_reply_shown(SafeTextWithEnding(all));
  return Json(out);
}

std::string SummaryJson(const Examination& e, const CaptureInfo& info, const std::string& capture) {
  Message out;
  out.set_tool(std::string("bytewitness ") + kToolVersion);
  out.set_capture(SafeName(capture));
  out.set_title(SafeName(info.title));
  Fill(e.conventions, out.mutable_conventions());
  auto* totals = out.mutable_totals();
  totals->set_events(e.events);
  totals->set_unknown_bytes(e.bytes[0]);
  totals->set_host_bytes(e.bytes[1]);
  totals->set_module_bytes(e.bytes[2]);
  totals->set_length_ns(Ns(e.length));
  totals->set_exchanges(e.exchanges);
  totals->set_unanswered(e.unanswered);
  for (std::size_t kind = 1; kind < e.segments.size(); ++kind)
    if (e.segments[kind] > 0)
      (*totals->mutable_segments())[SegmentKindName(static_cast<SegmentKind>(kind))] =
          e.segments[kind];
  Fill(e.command_endings, out.mutable_command_endings());
  Fill(e.reply_endings, out.mutable_reply_endings());
  auto* timing = out.mutable_timing();
  timing->set_stamp_uncertainty_ns(Ns(e.stamp_uncertainty));
  Fill(e.turnaround, timing->mutable_turnaround());
  Fill(e.pause_in_reply, timing->mutable_pause_in_reply());
  Fill(e.between_exchanges, timing->mutable_between_exchanges());
  auto* buffer = out.mutable_buffer();
  buffer->set_size(static_cast<std::uint32_t>(e.buffer.size));
  buffer->set_largest_reply(e.buffer.largest_reply);
  buffer->set_largest_reply_segment(e.buffer.largest_reply_segment);
  buffer->set_replies_that_do_not_fit(e.buffer.replies_that_do_not_fit);
  buffer->set_fills_after_ns(Ns(e.buffer.fills_after));
  buffer->set_bytes_per_second(e.buffer.bytes_per_second);
  buffer->set_busiest_share(e.buffer.busiest_share);
  for (const Finding& finding : e.findings) {
    auto* f = out.add_finding();
    f->set_name(finding.name);
    f->set_title(finding.title);
    f->set_detail(finding.detail);
    f->set_consequence(finding.consequence);
    f->set_advice(finding.advice);
    f->set_count(finding.count);
    for (const Evidence& evidence : finding.evidence) {
      auto* shown = f->add_evidence();
      shown->set_segment(evidence.segment);
      shown->set_at_ns(Ns(evidence.at));
      shown->set_shown(evidence.shown);
    }
  }
  const std::string json = Json(out);
  return json.substr(1, json.size() - 2);
}

}  // namespace witness
