//! The fuzzer of [`rinsebook_fuzz::story`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::story(data);
});
