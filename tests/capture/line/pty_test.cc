#include "capture/line/pty.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/stat.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "capture/line/open_port.h"
#include "capture/line/port_home.h"

namespace witness {
namespace {

using ::testing::HasSubstr;
namespace fs = std::filesystem;

// Waits for the kernel to carry bytes from one side of a pty to the other.
Bytes ReadAll(Port& port, std::size_t wanted) {
  Bytes out;
  char buffer[4096];
  while (out.size() < wanted) {
    pollfd one = {port.poll_handle(), POLLIN, 0};
    if (poll(&one, 1, 5000) <= 0) break;
    const ReadResult got = port.Read(buffer);
    if (got.outcome != ReadOutcome::kBytes) break;
    out.append(buffer, got.size);
  }
  return out;
}

class Folder {
 public:
  Folder() {
    std::string name = fs::temp_directory_path() / "witness-pty-XXXXXX";
    path_ = mkdtemp(name.data());
  }
  ~Folder() { fs::remove_all(path_); }
  std::string operator/(const char* name) const { return path_ / name; }

 private:
  fs::path path_;
};

TEST(Pty, EveryByteCrossesUnchangedAndNothingIsEchoed) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok()) << master.status().message();
  auto side = OpenPort((*master)->program_side());
  ASSERT_TRUE(side.ok()) << side.status().message();
  Bytes all;
  for (int i = 0; i < 256; ++i) all += static_cast<char>(i);
  ASSERT_EQ(*(*master)->Write(all), all.size());
  EXPECT_EQ(ReadAll(**side, all.size()), all);
  ASSERT_EQ(*(*side)->Write(all), all.size());
  EXPECT_EQ(ReadAll(**master, all.size()), all);
  char buffer[8];
  EXPECT_EQ((*master)->Read(buffer).outcome, ReadOutcome::kNothingYet);
  EXPECT_EQ((*side)->Read(buffer).outcome, ReadOutcome::kNothingYet);
}

TEST(Pty, ProgramMayCloseAndOpenAgain) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  for (int i = 0; i < 3; ++i) {
    auto side = OpenPort((*master)->program_side());
    ASSERT_TRUE(side.ok()) << side.status().message();
    ASSERT_TRUE((*side)->Close().ok());
    char buffer[8];
    EXPECT_EQ((*master)->Read(buffer).outcome, ReadOutcome::kNothingYet);
  }
}

TEST(Pty, ClosedMasterIsGoneForTheProgram) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  auto side = OpenPort((*master)->program_side());
  ASSERT_TRUE(side.ok());
  ASSERT_TRUE((*master)->Close().ok());
  char buffer[8];
  const ReadResult got = (*side)->Read(buffer);
  EXPECT_EQ(got.outcome, ReadOutcome::kGone);
  EXPECT_EQ(got.status.code(), Code::kDisconnected);
  const auto written = (*side)->Write("x");
  ASSERT_FALSE(written.ok());
  EXPECT_EQ(written.status().code(), Code::kDisconnected);
}

TEST(Pty, LinkLeadsThereAndGoesWithThePort) {
  const Folder folder;
  const std::string link = folder / "butt-port";
  {
    auto master = PtyPort::Create(link);
    ASSERT_TRUE(master.ok()) << master.status().message();
    EXPECT_EQ((*master)->program_side(), link);
    EXPECT_EQ(fs::read_symlink(link), (*master)->device());
    auto side = OpenPort(link);
    ASSERT_TRUE(side.ok()) << side.status().message();
    EXPECT_EQ((*side)->name(), link);
  }
  EXPECT_FALSE(fs::exists(fs::symlink_status(link)));
}

TEST(Pty, LinkReplacesOnlyALinkThatLeadsNowhere) {
  const Folder folder;
  const std::string link = folder / "p";
  fs::create_symlink("/dev/pts/no-such", link);
  EXPECT_TRUE(PtyPort::Create(link).ok());
  std::ofstream(link) << "precious";
  const auto refused = PtyPort::Create(link);
  ASSERT_FALSE(refused.ok());
  EXPECT_EQ(refused.status().code(), Code::kInvalidArgument);
  EXPECT_EQ(fs::file_size(link), 8u);
}

TEST(Pty, SecondOpenIsBusyAndSaysSo) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  auto first = OpenPort((*master)->program_side());
  ASSERT_TRUE(first.ok());
  const auto second = OpenPort((*master)->program_side());
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.status().code(), Code::kIo);
  EXPECT_THAT(second.status().message(), HasSubstr("busy"));
  ASSERT_TRUE((*first)->Close().ok());
  EXPECT_TRUE(OpenPort((*master)->program_side()).ok());
}

TEST(Pty, RateIsKeptAsANumberAndSeenByTheOtherSide) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  auto side = OpenPort((*master)->program_side());
  ASSERT_TRUE(side.ok());
  LineSettings odd;
  odd.baud = 31250;
  const auto got = (*side)->Configure(odd);
  ASSERT_TRUE(got.ok()) << got.status().message();
  EXPECT_EQ(got->baud, 31250u);
  EXPECT_EQ((*master)->ProgramSettings()->baud, 31250u);
}

TEST(Pty, ModemLinesAreUnsupportedNotFailed) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  EXPECT_EQ((*master)->Lines().status().code(), Code::kUnsupported);
  EXPECT_EQ((*master)->SendBreak(Duration::Milliseconds(1)).code(), Code::kUnsupported);
}

TEST(OpenPort, NoSuchPortSaysWhatToDo) {
  const auto port = OpenPort("/dev/ttyNoSuch7");
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.status().code(), Code::kNotFound);
  EXPECT_THAT(port.status().message(), HasSubstr("bytewitness ports"));
}

TEST(OpenPort, FileIsNotAPort) {
  const Folder folder;
  const std::string file = folder / "file";
  std::ofstream(file) << "x";
  const auto port = OpenPort(file);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.status().code(), Code::kInvalidArgument);
}

// A tree as sysfs has it, with adapters that a test plugs and unplugs.
class FakeSystem {
 public:
  FakeSystem() { fs::create_directories(folders.dev); }
  static void Put(const fs::path& file, const std::string& text) {
    fs::create_directories(file.parent_path());
    std::ofstream(file) << text << "\n";
  }
  void Plug(const std::string& tty, const std::string& place, const std::string& serial_number,
            int interface = 0) {
    const fs::path sys = folders.sys;
    const fs::path usb = sys / "devices/usb1" / place;
    const fs::path face = usb / (place + ":1." + std::to_string(interface));
    const fs::path device = face / tty;
    Put(device / "latency_timer", "16");
    Put(device / "port_number", "0");
    Put(face / "bInterfaceNumber", "0" + std::to_string(interface));
    Put(usb / "idVendor", "0403");
    Put(usb / "idProduct", "6001");
    Put(usb / "product", "Bench adapter");
    if (!serial_number.empty()) Put(usb / "serial", serial_number);
    fs::create_directories(sys / "bus/usb-serial/drivers/ftdi_sio");
    fs::create_directory_symlink(sys / "bus/usb-serial/drivers/ftdi_sio", device / "driver");
    fs::create_directories(sys / "class/tty" / tty);
    fs::create_directory_symlink(device, sys / "class/tty" / tty / "device");
    Put(Dev(tty), "");
  }
  void Unplug(const std::string& tty) {
    fs::remove_all(fs::canonical(fs::path(folders.sys) / "class/tty" / tty / "device"));
    fs::remove_all(fs::path(folders.sys) / "class/tty" / tty);
    fs::remove(Dev(tty));
  }
  std::string Dev(const std::string& tty) const { return folders.dev + "/" + tty; }

  const Folder folder;
  const SystemFolders folders{folder / "sys", folder / "dev"};
};

TEST(PortHome, IsFoundBySerialNumberUnderAnotherName) {
  FakeSystem system;
  system.Plug("ttyUSB0", "1-1", "BW0001");
  const PortHome home = HomeOf(system.Dev("ttyUSB0"), system.folders);
  EXPECT_TRUE(home.serial_number_tells);
  EXPECT_EQ(FindAgain(home, system.folders), system.Dev("ttyUSB0"));
  system.Unplug("ttyUSB0");
  EXPECT_EQ(FindAgain(home, system.folders), "");
  system.Plug("ttyUSB0", "1-1", "BW0002");  // another one takes its name and its socket
  EXPECT_EQ(FindAgain(home, system.folders), "");
  system.Plug("ttyUSB1", "1-2", "BW0001");
  EXPECT_EQ(FindAgain(home, system.folders), system.Dev("ttyUSB1"));
}

TEST(PortHome, AdapterWithSeveralPortsIsFoundByTheRightOne) {
  FakeSystem system;
  system.Plug("ttyUSB0", "1-1", "BW0001", 0);
  system.Plug("ttyUSB1", "1-1", "BW0001", 1);
  const PortHome home = HomeOf(system.Dev("ttyUSB1"), system.folders);
  EXPECT_TRUE(home.serial_number_tells);
  system.Unplug("ttyUSB0");
  system.Unplug("ttyUSB1");
  system.Plug("ttyUSB3", "1-4", "BW0001", 0);
  EXPECT_EQ(FindAgain(home, system.folders), "");
  system.Plug("ttyUSB4", "1-4", "BW0001", 1);
  EXPECT_EQ(FindAgain(home, system.folders), system.Dev("ttyUSB4"));
}

TEST(PortHome, WithoutANumberOfItsOwnTheSocketTells) {
  for (const char* number : {"", "0001"}) {
    FakeSystem system;
    system.Plug("ttyUSB0", "1-1", number);
    system.Plug("ttyUSB1", "1-2", number);  // the same number: cheap adapters
    const PortHome home = HomeOf(system.Dev("ttyUSB1"), system.folders);
    EXPECT_FALSE(home.serial_number_tells);
    system.Unplug("ttyUSB1");
    EXPECT_EQ(FindAgain(home, system.folders), "");
    system.Plug("ttyUSB7", "1-2", number);
    EXPECT_EQ(FindAgain(home, system.folders), system.Dev("ttyUSB7"));
  }
}

TEST(PortHome, PortThatIsNotUsbIsFoundByItsName) {
  FakeSystem system;
  FakeSystem::Put(system.Dev("module"), "");
  const PortHome home = HomeOf(system.Dev("module"), system.folders);
  EXPECT_EQ(FindAgain(home, system.folders), system.Dev("module"));
  fs::remove(system.Dev("module"));
  EXPECT_EQ(FindAgain(home, system.folders), "");
  EXPECT_EQ(FindAgain(HomeOf("tcp://127.0.0.1:7000")), "tcp://127.0.0.1:7000");
}

TEST(ListPorts, ReadsUsbFactsAndLeavesOutPlacesWithoutHardware) {
  FakeSystem system;
  const fs::path sys = system.folders.sys;
  system.Plug("ttyUSB10", "1-2", "BW0010", 0);
  system.Plug("ttyUSB9", "1-1", "BW0001", 1);
  fs::create_directories(sys / "devices/platform/serial8250");
  fs::create_directories(sys / "class/tty/ttyS1");
  fs::create_directory_symlink(sys / "devices/platform/serial8250", sys / "class/tty/ttyS1/device");
  FakeSystem::Put(sys / "class/tty/ttyS1/type", "0");
  FakeSystem::Put(system.Dev("ttyS1"), "");
  fs::create_directories(sys / "class/tty/tty1");

  const std::vector<PortFacts> ports = ListPorts(system.folders);
  ASSERT_EQ(ports.size(), 2u);
  EXPECT_EQ(ports[0].name, system.Dev("ttyUSB9"));
  EXPECT_EQ(ports[1].name, system.Dev("ttyUSB10"));
  EXPECT_EQ(ports[0].driver, "ftdi_sio");
  EXPECT_EQ(ports[0].usb_vendor, 0x0403);
  EXPECT_EQ(ports[0].usb_product, 0x6001);
  EXPECT_EQ(ports[0].description, "Bench adapter");
  EXPECT_EQ(ports[0].serial_number, "BW0001");
  EXPECT_EQ(ports[0].latency_timer_ms, 16);
  EXPECT_EQ(ports[0].usb_interface, 1);
  EXPECT_EQ(ports[0].usb_port, 0);
  EXPECT_EQ(ports[0].usb_place, "1-1");
}

TEST(PtyRequests, RateOfTheProgramIsAskedForOnce) {
  auto master = PtyPort::Create();
  ASSERT_TRUE(master.ok());
  LineSettings shown;
  shown.data_bits = 7;
  (*master)->ShowSettings(shown);
  EXPECT_TRUE((*master)->TakeRequests().empty()) << "how it stands at first is no request";
  auto side = OpenPort((*master)->program_side());
  ASSERT_TRUE(side.ok());
  LineSettings wanted;
  wanted.baud = 74880;
  ASSERT_TRUE((*side)->Configure(wanted).ok());
  const std::vector<LineRequest> requests = (*master)->TakeRequests();
  ASSERT_EQ(requests.size(), 1u);
  EXPECT_EQ(requests[0].settings->baud, 74880u);
  EXPECT_EQ(requests[0].settings->data_bits, 7) << "can't be told of a pty: as shown";
  EXPECT_TRUE((*master)->TakeRequests().empty());
}

}  // namespace
}  // namespace witness
