"""What --help, --version and wrong usage say, for every command of both programs."""
import re
import unittest

import bench


def commands_of(program):
    listing = bench.run(program, "--help").stdout.split("Subcommands:")[1]
    return re.findall(r"^  ([a-z][a-z-]*) ", listing, re.MULTILINE)


class Help(unittest.TestCase):
    def test_every_command_has_help_that_ends_with_an_example(self):
        for program in (bench.BYTEWITNESS, bench.BYTETRIAL):
            commands = commands_of(program)
            self.assertGreater(len(commands), 1)
            for command in commands:
                done = bench.run(program, command, "--help")
                name = program.rsplit("/", 1)[1]
                self.assertEqual((done.returncode, done.stderr), (0, ""), command)
                self.assertRegex(done.stdout, r"Example[^\n]*:\s[\s\S]*%s %s" % (name, command))

    def test_readme_names_every_command(self):
        with open(bench.SOURCE + "/README.md", encoding="utf-8") as readme:
            text = readme.read()
        for program in (bench.BYTEWITNESS, bench.BYTETRIAL):
            name = program.rsplit("/", 1)[1]
            for command in commands_of(program):
                self.assertIn("%s %s" % (name, command), text)

    def test_wrong_usage(self):
        for arguments in ([], ["no-such-command"], ["ask"], ["show"], ["show", "--no-such-option"]):
            done = bench.run(bench.BYTEWITNESS, *arguments)
            self.assertEqual(done.returncode, 2, arguments)
            self.assertEqual(done.stdout, "")
            self.assertNotEqual(done.stderr, "")
        for arguments in ([], ["run"], ["play"]):
            done = bench.run(bench.BYTETRIAL, *arguments)
            self.assertEqual(done.returncode, 2, arguments)


if __name__ == "__main__":
    unittest.main()
