fn main() -> std::process::ExitCode {
    thirdhand::cli::main()
}
