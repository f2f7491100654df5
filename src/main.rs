use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    let cli = match assize::cli::Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // clap prints help and version to standard output with 0, mistakes to standard error with 2.
            let code = if error.use_stderr() { 2 } else { 0 };
            // What was typed comes from the names of files as well: a shell puts them in for `*`.
            let typed = error.to_string();
            let shown = assize::cli::shown_safely(&typed);
            if code == 2 && shown != typed {
                eprint!("{shown}");
            } else {
                let _ = error.print();
            }
            return ExitCode::from(code);
        }
    };
    let mut out = std::io::BufWriter::new(std::io::stdout());
    let result = assize::cli::run(&cli, &mut out).and_then(|exit| Ok(out.flush().map(|()| exit)?));
    match result {
        Ok(exit) => ExitCode::from(exit.code()),
        Err(error) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = out.flush();
            let mark = if std::io::stderr().is_terminal() { "\x1b[1;31merror\x1b[0m" } else { "error" };
            eprintln!("{mark}: {}", assize::cli::told(&error));
            ExitCode::from(2)
        }
    }
}

/// `assize … | head` is no failure.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .any(|e| e.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe))
}
