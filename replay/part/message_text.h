// Messages of trial.proto as text, with the place (line and column, from 1) of whatever is wrong.
// Only for the files that read or print trial.proto.
#pragma once

#include <google/protobuf/message.h>
#include <google/protobuf/text_format.h>

#include <functional>
#include <string>
#include <string_view>

#include "capture/base/result.h"

namespace trial {

// Where each field of a message stood in its text. Belongs to the text it was filled from.
class TextPlaces {
 public:
  // A FieldComplaint (part_message.h) that keeps the first complaint as "LINE:COLUMN: what" in
  // `first`. `root` and `first` and this object must outlive it.
  std::function<void(const google::protobuf::Message& message, const std::string& field, int index,
                     const std::string& what)>
  Complaints(const google::protobuf::Message& root, witness::Status& first) const;

 private:
  friend witness::Status ReadText(std::string_view text, google::protobuf::Message& message,
                                  TextPlaces& places);
  google::protobuf::TextFormat::ParseInfoTree tree_;
};

// kInvalidArgument with "LINE:COLUMN: what" for the first error.
witness::Status ReadText(std::string_view text, google::protobuf::Message& message,
                         TextPlaces& places);

std::string WriteText(const google::protobuf::Message& message);

// Whole files of at most 64 MB; errors name the path.
witness::Result<std::string> ReadTextFile(const std::string& path);
// An existing file is replaced only if `replace`.
witness::Status WriteTextFile(std::string_view text, const std::string& path, bool replace);

}  // namespace trial
