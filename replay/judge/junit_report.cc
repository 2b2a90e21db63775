// Results as JUnit XML, the form that continuous-integration servers read.
#include <pugixml.hpp>
#include <sstream>

#include "capture/base/text.h"
#include "replay/judge/report.h"

namespace trial {
namespace {

using bytewitness::TrialReport;

// XML 1.0 (section 2.2) has no place for most control characters: SafeName writes them as \xNN.
std::string Clean(const std::string& text) { return witness::SafeName(text); }

std::string Seconds(std::uint64_t ns) {
  char buffer[40];
  std::snprintf(buffer, sizeof buffer, "%.3f", static_cast<double>(ns) * 1e-9);
  return buffer;
}

void AddCase(pugi::xml_node suite, const TrialReport& report, const TrialReport::Trial& trial) {
  pugi::xml_node node = suite.append_child("testcase");
  node.append_attribute("classname") = Clean(report.subject()).c_str();
  node.append_attribute("name") = Clean(trial.name()).c_str();
  node.append_attribute("time") = Seconds(trial.took_ns()).c_str();
  if (trial.verdict() == TrialReport::VERDICT_HELD) return;
  const bool no_contest = trial.verdict() == TrialReport::VERDICT_NO_CONTEST;
  pugi::xml_node failure = node.append_child(no_contest ? "error" : "failure");
  failure.append_attribute("type") = VerdictName(static_cast<VerdictKind>(trial.verdict()));
  failure.append_attribute("message") = Clean(trial.why()).c_str();
  std::string text;
  const auto line = [&](const char* label, const std::string& words) {
    text += std::string(label) + ": " + Clean(words) + "\n";
  };
  if (trial.has_divergence()) {
    line("first", trial.divergence().what());
    line("expected", trial.divergence().expected());
    line("got", trial.divergence().got());
  }
  for (const auto& diagnosis : trial.diagnosis()) {
    line("diagnosis", diagnosis.words());
    for (const auto& evidence : diagnosis.evidence()) line("evidence", evidence);
  }
  for (const auto& inside : trial.inside()) line("inside", inside);
  line("again", trial.reproduce());
  failure.append_child(pugi::node_pcdata).set_value(text.c_str());
}

void AddSuite(pugi::xml_node suites, const TrialReport& report) {
  pugi::xml_node suite = suites.append_child("testsuite");
  int failures = 0;
  int errors = 0;
  std::uint64_t time = report.baseline().took_ns();
  const auto count = [&](const TrialReport::Trial& trial) {
    failures += trial.verdict() == TrialReport::VERDICT_BROKE ||
                        trial.verdict() == TrialReport::VERDICT_SLOW
                    ? 1
                    : 0;
    errors += trial.verdict() == TrialReport::VERDICT_NO_CONTEST ? 1 : 0;
  };
  count(report.baseline());
  for (const auto& trial : report.trial()) {
    count(trial);
    time += trial.took_ns();
  }
  suite.append_attribute("name") = ("bytetrial " + Clean(report.capture())).c_str();
  suite.append_attribute("tests") = report.trial_size() + 1;
  suite.append_attribute("failures") = failures;
  suite.append_attribute("errors") = errors;
  suite.append_attribute("time") = Seconds(time).c_str();
  AddCase(suite, report, report.baseline());
  for (const auto& trial : report.trial()) AddCase(suite, report, trial);
}

}  // namespace

std::string JUnitReport(const TrialReport& report) {
  pugi::xml_document document;
  pugi::xml_node declaration = document.append_child(pugi::node_declaration);
  declaration.append_attribute("version") = "1.0";
  declaration.append_attribute("encoding") = "UTF-8";
  pugi::xml_node suites = document.append_child("testsuites");
  if (report.hearing().empty()) AddSuite(suites, report);
  for (const TrialReport& hearing : report.hearing()) AddSuite(suites, hearing);
  std::ostringstream out;
  document.save(out, "  ");
  return out.str();
}

}  // namespace trial
