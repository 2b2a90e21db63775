#include "capture/line/missing_right.h"

namespace witness {

std::string MissingRight(const DeviceAccess& access) {
  if (!access.seen) return "even its folder can't be read";
  if (access.group.empty() || !access.group_may)
    return "only its owner may: a udev rule can give it to a group: a line SUBSYSTEM==\"tty\", "
           "GROUP=\"dialout\", MODE=\"0660\" in /etc/udev/rules.d/, then plug it in anew";
  if (access.in_login)
    return "though you are in its group " + access.group +
           ": a security policy or a container keeps you out";
  if (access.joined)
    return "you have joined the group " + access.group +
           ", but not in this login: log in again, or run newgrp " + access.group;
  return "join the group " + access.group + " (sudo usermod -aG " + access.group +
         " $USER) and log in again";
}

}  // namespace witness
