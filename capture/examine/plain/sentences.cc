#include "capture/examine/plain/sentences.h"

#include "capture/examine/content.h"
#include "capture/examine/protocols/nmea.h"
#include "capture/examine/secret_search.h"

namespace witness {
namespace {

constexpr std::size_t kEndOfSentence = 4;  // checksum, CR, LF

bool Same(const std::vector<Secret>& a, const std::vector<Secret>& b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](const Secret& x, const Secret& y) {
    return x.kind == y.kind && x.from == y.from && x.size == y.size;
  });
}

// One that is looked for elsewhere, too, once it was seen.
bool IsRemembered(SecretKind kind) {
  return kind == SecretKind::kKey || kind == SecretKind::kPin || kind == SecretKind::kPassword;
}

}  // namespace

bool SentenceShapes::Fit(const Conventions& conventions) {
  return conventions.module_heard && !conventions.host_heard &&
         conventions.framing == Framing::kNmea && conventions.answers_last == 0;
}

void SentenceShapes::Learn(ByteView sentence, Known& out) {
  const Content content = ContentOf(sentence, true);
  if (content.final_code || content.command_line) return;
  // Values may matter to what is a secret. If neither the least nor the largest do, none does.
  const std::vector<Secret> secrets = SecretsIn(sentence, false);
  if (!Same(secrets, SecretsIn(WithDigits(sentence, '0'), false)) ||
      !Same(secrets, SecretsIn(WithDigits(sentence, '9'), false)))
    return;
  for (const Secret& secret : secrets) {
    if (IsRemembered(secret.kind)) return;
    ++out.content.secrets[static_cast<std::size_t>(secret.kind)];
  }
  out.content.IsText(LineEnding::kCrLf);
  out.content.recognised = true;
  out.content.secret = !secrets.empty();
  out.plain = true;
}

bool SentenceShapes::Find(ByteView said, bool secrets, std::vector<PlainSentences::Sentence>& out) {
  out.clear();
  while (!said.empty()) {
    const std::size_t size = nmea::SentenceAt(said);
    if (size == 0) return false;
    const ByteView sentence = said.substr(0, size);
    const ByteView before_checksum = sentence.substr(0, size - kEndOfSentence);
    const Known* const known =
        memo_.Of(before_checksum, 0, [&](Known& made) { Learn(sentence, made); });
    if (known == nullptr || !known->plain || (known->content.secret && !secrets)) return false;
    out.push_back({sentence, &known->content});
    said.remove_prefix(size);
  }
  return true;
}

}  // namespace witness
