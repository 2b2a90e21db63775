#include "capture/line/missing_right.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace witness {
namespace {

using ::testing::HasSubstr;
using ::testing::StartsWith;

DeviceAccess Of(const char* group, bool may, bool in_login, bool joined) {
  DeviceAccess out;
  out.seen = true;
  out.group = group;
  out.group_may = may;
  out.in_login = in_login;
  out.joined = joined;
  return out;
}

TEST(MissingRight, WhoIsInNoGroupIsToldWhichToJoin) {
  EXPECT_EQ(MissingRight(Of("tty-users", true, false, false)),
            "join the group tty-users (sudo usermod -aG tty-users $USER) and log in again");
}

TEST(MissingRight, WhoHasJoinedIsToldToLogInAgain) {
  EXPECT_EQ(MissingRight(Of("dialout", true, false, true)),
            "you have joined the group dialout, but not in this login: log in again, or run newgrp "
            "dialout");
}

TEST(MissingRight, WhoIsInTheGroupIsKeptOutBySomethingElse) {
  for (const bool joined : {false, true})
    EXPECT_EQ(MissingRight(Of("dialout", true, true, joined)),
              "though you are in its group dialout: a security policy or a container keeps you "
              "out");
}

TEST(MissingRight, ANodeOfItsOwnerAloneNeedsARule) {
  // However near the person is to the group: it may not, or there is none.
  for (const bool in_login : {false, true})
    for (const bool joined : {false, true})
      for (const DeviceAccess& access :
           {Of("dialout", false, in_login, joined), Of("", true, in_login, joined)}) {
        EXPECT_THAT(MissingRight(access), StartsWith("only its owner may: "));
        EXPECT_THAT(MissingRight(access),
                    HasSubstr("SUBSYSTEM==\"tty\", GROUP=\"dialout\", MODE=\"0660\""));
      }
}

TEST(MissingRight, ANodeThatCannotBeSeen) {
  EXPECT_EQ(MissingRight({}), "even its folder can't be read");
}

}  // namespace
}  // namespace witness
