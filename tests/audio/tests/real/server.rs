//! A private audio server: started in a folder of its own, stopped by its process id.

use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// What must be installed; `cargo xtask test` does it.
const PACKAGES: &str = "pulseaudio pulseaudio-utils libasound2-plugins libasound2-dev pkg-config";

/// A running server and its folder.
pub(crate) struct Server {
    process: Child,
    folder: tempfile::TempDir,
}

impl Server {
    /// Starts a server with a null sink at 48 kHz in `f32`; with `through_dut`, what is played goes
    /// through the known plugin first.
    pub(crate) fn start(through_dut: bool) -> Self {
        Self::new(through_dut, "out.monitor")
    }

    /// A server with four inputs, of which each two hear the left and the right output.
    pub(crate) fn with_four_inputs() -> Self {
        Self::new(false, "four")
    }

    fn new(through_dut: bool, source: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the audio server");
        let at = |name: &str| folder.path().join(name);
        let socket = at("native").display().to_string();
        let (dut, sink) = if through_dut {
            (
                "load-module module-ladspa-sink sink_name=dut sink_master=out plugin=libdut label=known\n",
                "dut",
            )
        } else {
            ("", "out")
        };
        // `norewinds=yes`: without it there are gaps of up to 2 s at the start of a stream.
        let script = format!(
            ".fail\n\
             load-module module-native-protocol-unix auth-anonymous=1 socket={socket}\n\
             load-module module-null-sink sink_name=out norewinds=yes format=float32le rate=48000 channels=2 channel_map=front-left,front-right\n\
             load-module module-remap-source source_name=four master=out.monitor remix=no channels=4 \
             channel_map=front-left,front-right,rear-left,rear-right \
             master_channel_map=front-left,front-right,front-left,front-right\n\
             {dut}\
             set-default-sink {sink}\n\
             set-default-source {source}\n"
        );
        let daemon = "default-sample-format=float32le\ndefault-sample-rate=48000\nalternate-sample-rate=48000\n\
                      enable-remixing=no\nflat-volumes=no\n";
        let alsa = format!(
            "</usr/share/alsa/alsa.conf>\npcm.!default {{ type pulse server \"unix:{socket}\" }}\n\
             ctl.!default {{ type pulse server \"unix:{socket}\" }}\n"
        );
        for (name, text) in [("dut.pa", script.as_str()), ("daemon.conf", daemon), ("asound.conf", &alsa)] {
            fs::write(at(name), text).expect("the server's files are written");
        }
        let log = fs::File::create(at("log")).expect("the server's log is written");
        let mut command = Command::new("pulseaudio");
        command
            .args(["-n", "-F"])
            .arg(at("dut.pa"))
            .args(["--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log);
        surround(&mut command, folder.path());
        let process = command.spawn().unwrap_or_else(|error| {
            panic!("pulseaudio does not start ({error}). Install: {PACKAGES} (`cargo xtask test` does it).")
        });
        let mut server = Self { process, folder };
        server.wait();
        server
    }

    /// A command in the server's surroundings.
    pub(crate) fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        surround(&mut command, self.folder.path());
        command
    }

    fn wait(&mut self) {
        let start = Instant::now();
        loop {
            let mut info = self.command("pactl");
            let answered = info.arg("info").stdout(Stdio::null()).stderr(Stdio::null()).status();
            match answered {
                Ok(status) if status.success() => return,
                Ok(_) => {}
                Err(error) => panic!("pactl does not run ({error}). Install: {PACKAGES}."),
            }
            let ended = self.process.try_wait().expect("the server is ours");
            let log = || fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
            assert!(ended.is_none(), "the audio server ended with {ended:?}:\n{}", log());
            assert!(
                start.elapsed() < Duration::from_secs(20),
                "the audio server does not answer:\n{}",
                log()
            );
            sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // By its own process id; a server that has ended already is no failure.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Keeps everything that the server and its clients look for within the folder.
fn surround(command: &mut Command, folder: &Path) {
    let plugins = std::env::current_exe().ok().and_then(|exe| exe.parent().map(Path::to_path_buf));
    command
        .env("PULSE_SERVER", format!("unix:{}", folder.join("native").display()))
        .env("PULSE_CONFIG", folder.join("daemon.conf"))
        .env("PULSE_CONFIG_PATH", folder)
        .env("PULSE_RUNTIME_PATH", folder)
        .env("PULSE_STATE_PATH", folder)
        .env("PULSE_COOKIE", folder.join("cookie"))
        .env("ALSA_CONFIG_PATH", folder.join("asound.conf"))
        .env("LADSPA_PATH", plugins.unwrap_or_default())
        .env("HOME", folder)
        .env("XDG_RUNTIME_DIR", folder)
        .env_remove("DISPLAY")
        .env_remove("DBUS_SESSION_BUS_ADDRESS");
}
