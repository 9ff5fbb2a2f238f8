// The same echo in C++ on the RtMidi library: what any program on that library costs at the least.
//   echo NAME FILE     answers each clock with the next line of FILE (messages in hex, separated by blanks)
// It says its ports as a JSON line when they are open; when standard input ends it says how long it
// was in the callback, and ends by exiting, ports open.
#include <RtMidi.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

using Message = std::vector<unsigned char>;

static std::vector<std::vector<Message>> batches;
static std::vector<long long> services;
static size_t count = 0;
static RtMidiOut *out = nullptr;

static long long now_ns() {
    return std::chrono::duration_cast<std::chrono::nanoseconds>(
               std::chrono::steady_clock::now().time_since_epoch()).count();
}

static void heard(double, Message *message, void *) {
    const long long stamp = now_ns();
    if (message->empty()) return;
    if (message->front() == 0xF8) {
        for (const Message &one : batches[count % batches.size()]) out->sendMessage(&one);
        ++count;
        services.push_back(now_ns() - stamp);
    } else if (message->front() == 0xFC && count > 0) {
        const Message &last = batches[(count - 1) % batches.size()].back();
        const Message off = {static_cast<unsigned char>(last[0] & 0x8F), last[1], 0};
        out->sendMessage(&off);
    }
}

int main(int argc, char **argv) {
    if (argc != 3) return 2;
    const std::string name = argv[1];
    std::ifstream file(argv[2]);
    for (std::string line; std::getline(file, line);) {
        std::istringstream words(line);
        std::vector<Message> batch;
        for (std::string word; words >> word;) {
            Message one;
            for (size_t at = 0; at + 1 < word.size(); at += 2)
                one.push_back(static_cast<unsigned char>(std::stoi(word.substr(at, 2), nullptr, 16)));
            batch.push_back(one);
        }
        batches.push_back(batch);
    }
    if (batches.empty()) return 2;
    services.reserve(1 << 20);  // no allocation in the callback
    try {
        out = new RtMidiOut(RtMidi::UNIX_JACK, name + "-out");
        out->openVirtualPort("out");
        auto *in = new RtMidiIn(RtMidi::UNIX_JACK, name + "-clock");
        in->ignoreTypes(false, false, false);
        in->setCallback(heard);
        in->openVirtualPort("clock");
    } catch (const std::exception &error) {
        std::fprintf(stderr, "%s\n", error.what());
        return 3;
    }
    std::printf("{\"clock\": \"%s-clock:clock\", \"out\": \"%s-out:out\"}\n", name.c_str(), name.c_str());
    std::fflush(stdout);
    while (std::getchar() != EOF) {
    }
    std::printf("{\"services_ns\": [");
    for (size_t at = 0; at < services.size(); ++at) std::printf("%s%lld", at ? ", " : "", services[at]);
    std::printf("]}\n");
    std::fflush(stdout);
    std::_Exit(0);
}
