//! The fuzzer of [`rinsebook_fuzz::journal`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::journal(data);
});
