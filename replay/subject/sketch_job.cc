#include "replay/subject/sketch_job.h"

#include "proto/sketch.pb.h"
#include "replay/part/part_message.h"
#include "replay/subject/observations_message.h"

namespace trial {

using witness::Code;
using witness::Result;
using witness::Status;

Bytes SerializeSketchJob(const SketchJob& job) {
  bytewitness::SketchJob message;
  PartToMessage(job.part, *message.mutable_part());
  message.mutable_sketch()->set_elf(job.settings.elf);
  for (const auto& [key, value] : SketchSettingsMap(job.settings))
    (*message.mutable_sketch()->mutable_setting())[key] = value;
  message.set_within_ns(static_cast<std::uint64_t>(job.limits.within.ns()));
  message.set_linger_ns(static_cast<std::uint64_t>(job.limits.linger.ns()));
  message.set_expected_commands(static_cast<std::uint32_t>(job.limits.expected_commands));
  message.set_expected_lines(static_cast<std::uint32_t>(job.limits.expected_lines));
  return message.SerializeAsString();
}

Result<SketchJob> DeserializeSketchJob(ByteView bytes) {
  bytewitness::SketchJob message;
  if (!message.ParseFromArray(bytes.data(), static_cast<int>(bytes.size())))
    return Status(Code::kDamaged, "not a job for the sketch worker");
  SketchJob job;
  std::string complaint;
  job.part = PartFromMessage(
      message.part(), [&complaint](const google::protobuf::Message&, const std::string& field, int,
                                   const std::string& what) {
        if (complaint.empty()) complaint = field + ": " + what;
      });
  if (!complaint.empty()) return Status(Code::kInvalidArgument, complaint);
  std::map<std::string, std::string> settings(message.sketch().setting().begin(),
                                              message.sketch().setting().end());
  Result<SketchSettings> made = MakeSketchSettings(message.sketch().elf(), settings);
  if (!made.ok()) return made.status();
  job.settings = *made;
  job.limits.within = Duration::Nanoseconds(static_cast<std::int64_t>(message.within_ns()));
  job.limits.linger = Duration::Nanoseconds(static_cast<std::int64_t>(message.linger_ns()));
  job.limits.expected_commands = message.expected_commands();
  job.limits.expected_lines = message.expected_lines();
  return job;
}

Bytes SerializeSketchAnswer(const Result<Observations>& answer) {
  bytewitness::SketchAnswer message;
  if (!answer.ok()) {
    message.set_code(static_cast<std::uint32_t>(answer.status().code()));
    message.set_error(answer.status().message());
    return message.SerializeAsString();
  }
  ObservationsToMessage(*answer, *message.mutable_observations());
  for (const witness::OwnedEvent& owned : answer->conversation) {
    const witness::Event event = owned.View();
    auto& e = *message.add_conversation();
    e.set_at_ns(static_cast<std::uint64_t>(event.at.ns()));
    e.set_kind(static_cast<std::uint32_t>(event.kind));
    e.set_side(static_cast<std::uint32_t>(event.side));
    e.set_bytes(event.bytes.data(), event.bytes.size());
    e.set_name(event.name.data(), event.name.size());
    e.set_level(event.level);
  }
  return message.SerializeAsString();
}

Result<Observations> DeserializeSketchAnswer(ByteView bytes) {
  bytewitness::SketchAnswer message;
  if (!message.ParseFromArray(bytes.data(), static_cast<int>(bytes.size())))
    return Status(Code::kDamaged, "the sketch worker's answer cannot be read");
  if (message.code() != 0) return Status(static_cast<Code>(message.code()), message.error());
  Observations observations = ObservationsFromMessage(message.observations());
  for (const auto& e : message.conversation()) {
    witness::Event event;
    event.at = Instant::FromNanoseconds(static_cast<std::int64_t>(e.at_ns()));
    event.kind = static_cast<witness::EventKind>(e.kind());
    event.side = static_cast<witness::Side>(e.side());
    event.bytes = e.bytes();
    event.name = e.name();
    event.level = static_cast<std::uint8_t>(e.level());
    observations.conversation.emplace_back(event);
  }
  return observations;
}

Bytes Framed(ByteView message) {
  Bytes frame;
  for (int i = 0; i < 4; ++i) frame += static_cast<char>(message.size() >> (8 * i));
  frame += message;
  return frame;
}

std::size_t FrameLength(ByteView head) {
  std::size_t length = 0;
  for (std::size_t i = 0; i < kFrameHead; ++i)
    length |= static_cast<std::size_t>(static_cast<unsigned char>(head[i])) << (8 * i);
  return length;
}

}  // namespace trial
