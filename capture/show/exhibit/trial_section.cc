// The table of variations, and for each that did not hold where it first went another way.
#include "capture/base/text.h"
#include "capture/show/exhibit/html.h"
#include "capture/show/exhibit/sections.h"

namespace witness::page {
namespace {

// Word and sign: a verdict is never told by colour alone.
const char* Sign(const std::string& verdict) {
  if (verdict == "held") return "✓";
  if (verdict == "broke") return "✗";
  if (verdict == "slow") return "◷";
  return "–";
}

std::string Shown(const TrialResult::Row& row, bool baseline) {
  if (row.capture < 0) return "";
  return "<button type=\"button\" data-show=\"" + std::to_string(row.capture) + "\">" +
         (baseline ? "show" : "show beside the recorded") + "</button>";
}

std::string TableRow(const TrialResult::Row& row, const std::string& number, bool baseline) {
  std::string cls = row.verdict == "no contest" ? "none" : row.verdict;
  if (cls != "held" && cls != "broke" && cls != "slow") cls = "none";
  std::string why = Name(baseline && row.why.empty() ? "the baseline" : row.why);
  if (!row.note.empty()) why += (why.empty() ? "" : "<br>") + Name(row.note);
  std::string out = "<tr class=\"" + cls + "\"><td class=\"number\">" + number + "</td><td>";
  out += row.diverged && !baseline
             ? "<a href=\"#trial-" + number + "\"><code>" + Name(row.name) + "</code></a>"
             : "<code>" + Name(row.name) + "</code>";
  out += "</td><td class=\"verdict\">" + std::string(Sign(row.verdict)) + " " +
         Text(SafeName(row.verdict)) + "</td><td class=\"number\">" +
         Text(FormatDuration(Duration::Nanoseconds(row.took_ns))) + "</td><td>" + why +
         "</td><td>" + Shown(row, baseline) + "</td></tr>\n";
  return out;
}

std::string Broken(const TrialResult::Row& row, const std::string& number) {
  std::string out = "<article class=\"broken\" id=\"trial-" + number + "\"><h3>" +
                    Text(SafeName(row.verdict)) + ": <code>" + Name(row.name) +
                    "</code></h3>\n<table class=\"facts\"><tbody>\n";
  const auto line = [&](const char* what, const std::string& html) {
    out += "<tr><th scope=\"row\">" + std::string(what) + "</th><td>" + html + "</td></tr>\n";
  };
  if (row.diverged) {
    const Instant at = Instant::FromNanoseconds(row.at_ns);
    line("first difference",
         Name(row.what) + " at " +
             (row.capture >= 0 ? Moment(at, static_cast<std::size_t>(row.capture))
                               : Text(FormatInstant(at))) +
             " s" +
             (row.command > 0 ? ", after command " + std::to_string(row.command) : std::string()));
    line("expected", "<code>" + Name(row.expected) + "</code>");
    line("got", "<code>" + Name(row.got) + "</code>");
  }
  for (const auto& diagnosis : row.diagnoses) {
    std::string words = Name(diagnosis.words);
    if (!diagnosis.evidence.empty()) {
      words += "<ul class=\"evidence\">";
      for (const std::string& evidence : diagnosis.evidence)
        words += "<li>" + Name(evidence) + "</li>";
      words += "</ul>";
    }
    line("diagnosis", words);
  }
  if (!row.smallest.empty()) {
    std::string names;
    for (const std::string& name : row.smallest) names += (names.empty() ? "" : " ") + Name(name);
    line("smallest", "<code>" + names + "</code>");
  }
  if (!row.reproduce.empty()) line("to run it again", "<code>" + Name(row.reproduce) + "</code>");
  out += "</tbody></table>\n";
  if (row.capture < 0)
    out += "<p>What was said is not inside: <code>bytetrial run --keep DIR</code> keeps it.</p>\n";
  else
    out += "<p>" + Shown(row, false) + "</p>\n";
  return out + "</article>\n";
}

}  // namespace

std::string TrialSection(const TrialResult& trial) {
  std::size_t counts[4] = {};
  for (const auto& row : trial.rows)
    ++counts[row.verdict == "held"    ? 0
             : row.verdict == "broke" ? 1
             : row.verdict == "slow"  ? 2
                                      : 3];
  std::string out =
      "<section aria-labelledby=\"verdicts\">\n<h2 id=\"verdicts\">Verdicts</h2>\n<p>On trial: "
      "<code>" +
      Name(trial.subject) + "</code>, against the replies of <code>" + Name(trial.capture) +
      "</code>; answers " + Name(trial.following) + ". " + Count(trial.rows.size(), "trial") +
      ": " + std::to_string(counts[0]) + " held, " + std::to_string(counts[1]) + " broke, " +
      std::to_string(counts[2]) + " slow, " + std::to_string(counts[3]) + " no contest. Run by " +
      Name(trial.tool) + ".</p>\n";
  out +=
      "<table class=\"verdicts\"><thead><tr><th scope=\"col\">no.</th><th "
      "scope=\"col\">variation</th><th scope=\"col\">verdict</th><th scope=\"col\">time</th><th "
      "scope=\"col\">why</th><th scope=\"col\">record</th></tr></thead><tbody>\n";
  out += TableRow(trial.baseline, "0", true);
  for (std::size_t i = 0; i < trial.rows.size(); ++i)
    out += TableRow(trial.rows[i], std::to_string(i + 1), false);
  out += "</tbody></table>\n";
  for (std::size_t i = 0; i < trial.rows.size(); ++i)
    if (!trial.held(trial.rows[i])) out += Broken(trial.rows[i], std::to_string(i + 1));
  return out + "</section>\n";
}

}  // namespace witness::page
