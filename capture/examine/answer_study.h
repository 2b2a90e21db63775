// What one reading of a stretch showed of answers and of lines that nobody asked for: how answers
// end, in how many lines they come, how unasked lines begin.
#pragma once

#include <cstddef>
#include <map>
#include <optional>
#include <set>
#include <vector>

#include "capture/examine/conventions.h"
#include "capture/examine/segment.h"

namespace witness {

class AnswerStudy {
 public:
  // All segments of the stretch, in their order.
  void Take(const Segment& segment);
  // Puts what was found into `out`: result_codes, answer_ends, answers_always_end, echo,
  // one_line_replies, one_of_several, unasked_heads, unasked_marks, restart_head,
  // second_answers, usual_turnaround.
  void Finish(Conventions& out);
  // After Finish(): how long pauses last inside answers that were taken for over then; 95th
  // percentile, zero if there were none.
  Duration PauseInAnswers() const;

 private:
  struct Later {
    Bytes bytes;
    Duration pause;  // before it
  };
  struct Answer {
    std::uint64_t turn = 0;
    Bytes command;
    Bytes bytes;
    std::size_t sure_size = 0;  // of `bytes`; the rest came after a silence and may belong to it
    Instant end;                // of the sure part
    Duration pause;             // before the rest
    bool alone = false;         // no other command came before it was over
    Duration wait;              // since the command
    std::size_t waited = 0;     // commands since the answer before
    std::size_t group = 0;      // index
    bool text = true;
    std::size_t before_next = 0;  // of `bytes`, lines that came before another command; 0: all
    bool late = false;            // later than answers are waited for
    // Text that came behind it, each time after a silence, before the next command.
    std::vector<Later> later;

    ByteView View(bool with_rest = false) const {
      return ByteView(bytes).substr(0, with_rest ? bytes.size() : sure_size);
    }
  };
  struct Behind {
    std::size_t second = 0, late = 0;

    std::size_t all() const { return second + late; }
  };
  struct Head {
    std::size_t unasked = 0;  // stood where nothing was asked
    std::size_t maybe = 0;    // stood behind an answer, after a silence
    std::set<Bytes> behind;   // the commands that were answered then
  };
  // Commands without a silence between them and their answers, and the lines of those.
  struct Group {
    std::size_t commands = 0;
    std::size_t lines = 0;
  };
  // Of blocks, by what they have at each of the first places: how many were first words after a
  // command, or came later, and of these how many when hardly any answer was due.
  struct Mark {
    std::size_t first = 0, later = 0, surely = 0;

    bool IsUnasked() const { return later >= 3 && first * 4 <= later; }
    bool IsAsked() const { return first >= 3 && later * 4 <= first; }
  };
  using Marks = std::map<char, Mark>;
  static constexpr std::size_t kMarkWithin = 4;  // first bytes
  struct Block {
    Bytes head;
    bool first = false, reply = false;
  };
  struct Ends {
    std::vector<Bytes> lines;
    std::vector<Bytes> go_on;  // last lines behind which more comes, nearly each time
    // The same, where the last that comes is what others end with.
    std::vector<Bytes> ended_later;
  };

  // It came soon behind the last answer.
  void MayBeRest(const Segment& segment);
  void NoteElsewhere(const Segment& segment);
  void NoteLater(const Segment& segment);
  // How much of what came behind an answer belongs to it, see Ends::ended_later.
  static std::size_t CountLater(const Answer& answer, const Ends& ends);
  void NoteBlock(const Segment& segment);
  void FindMarks(Conventions& out) const;
  // By what blocks have at this place. Where an unasked one came between a command and its answer,
  // the answer was first, if it is known which are unasked.
  Marks MarksAt(std::size_t at, ByteView unasked) const;
  // Whether something comes behind answers of several kinds, of each at times and at times not.
  bool FollowAtTimes(std::size_t at) const;
  bool HasRest(const Answer& answer) const;
  void NoteLines(const Segment& segment, bool sure);
  // `answers`: it may answer the command before.
  void NoteBehind(const Segment& segment, bool answers);
  bool IsLate(const Segment& segment) const;
  // The module's first words after a command, or what stands in their place.
  void NoteFirstWords(const Segment& segment);
  std::vector<const Answer*> TextAnswers() const;
  Ends FindEnds(const std::vector<const Answer*>& answers, bool with_rest) const;
  // A character that (nearly) every answer ends with and none holds elsewhere; 0: none.
  char FindMark(const std::vector<const Answer*>& answers) const;
  // Such as came at least so often.
  void FindHeads(const Ends& ends, std::size_t least, std::vector<Bytes>& out) const;
  // Where unasked lines of many sorts begin with the same character, and answers do not: that, in
  // place of those.
  void FindFirstCharacters(std::vector<Bytes>& heads) const;
  // Where what answers AT+NAME? begins with that name (V.250 5.4 and 5.7): sorts of lines "+OTHER:"
  // that stand in answers to commands that do not name them, and how often. `known`: such as were
  // found before, and cut out of answers since.
  std::map<Bytes, std::size_t> FindMisnamed(const std::vector<Bytes>& known) const;
  void FindSecondAnswers(std::vector<Conventions::SecondAnswer>& out) const;
  // Whether there are as many lines as commands, but for those that may have come unasked.
  bool OneLineEach();
  // Whether of several commands that wait only one is ever answered.
  bool OneOfSeveral() const;
  // Whether lines of this sort stand beside others in answers to different commands.
  bool StandsInAnswers(const Bytes& sort) const;
  // How often answers consist of nothing but lines of this sort, for commands that are always
  // answered so. Such as came much later than answers come are none. `unasked`: how often
  // otherwise.
  std::size_t AskedFor(const Bytes& sort, const Ends& ends, std::size_t unasked) const;

  std::vector<Answer> answers_;
  std::vector<Group> groups_;
  std::map<Bytes, Head> heads_;
  std::map<Bytes, std::size_t>
      elsewhere_;                         // shapes of lines that came, but not soon behind answers
  std::map<Bytes, std::size_t> cut_out_;  // sorts of unasked lines in the midst of answers
  // How often a line of that sort came a silence behind an answer, or so late that it is hardly
  // one, by the sort of the command.
  std::map<Bytes, std::map<Bytes, Behind>> behind_;
  std::vector<Bytes> commands_said_;
  std::vector<Block> blocks_;  // all that the module said
  std::size_t texts_ = 0;      // what the module said besides
  // First words that are a block, and how many came behind it.
  struct BlockAnswer {
    Bytes head;
    std::size_t behind = 0;
  };
  std::vector<BlockAnswer> block_answers_;
  std::uint64_t block_turn_ = 0;
  std::vector<Duration> turnarounds_;
  Duration latest_ = Duration::Max();  // how long an answer may take
  Bytes banner_head_;
  std::optional<Duration> soonest_restart_;  // after a command
  Duration longest_turnaround_;              // of anything else
  std::vector<Duration> pauses_;
  Duration longest_pause_;  // of such as were surely inside
  std::size_t commands_ = 0, echoes_ = 0, waiting_ = 0;
  std::size_t since_answer_ = 0;  // commands
  std::uint64_t turn_ = 0;
  Bytes command_;
  Instant command_end_;
  bool answered_ = true;
  bool second_came_ = true;  // something came a silence behind the last answer
  Instant later_end_;        // of the last that the module said
  bool cut_ = false;         // the host began to speak in the last answer, or right behind it
  // Whether nobody spoke before the segment under way, and what it follows.
  bool silent_before_ = true;
  bool echo_before_ = false;
  std::uint64_t echo_turn_ = 0;  // of the last one
  EndedBy before_ended_by_ = EndedBy::kUnspecified;
};

}  // namespace witness
