// Between Part and the generated message. Only for the files that read or print trial.proto.
#pragma once

#include <functional>
#include <string>

#include "proto/trial.pb.h"
#include "replay/part/part.h"

namespace trial {

// Tells where a wrong field stands: `message` is the one that holds it, `field` its name in the
// schema, `index` its place if repeated (else -1), `what` the complaint.
using FieldComplaint =
    std::function<void(const google::protobuf::Message& message, const std::string& field,
                       int index, const std::string& what)>;

// Every "must" of the schema is checked; each violation is told to `complain`.
Part PartFromMessage(const bytewitness::Part& message, const FieldComplaint& complain);
void PartToMessage(const Part& part, bytewitness::Part& message);

}  // namespace trial
